"""Killed in mid-write, two writers at once, a full disk, a folder not to be written in: nothing is lost."""

import hashlib
import json
import os
import random
import resource
import signal
import stat
import tempfile
from pathlib import Path

import pytest

from portmap.archive import add_job, archived_document, document_sha256, opened_archive
from portmap.archive_health import archive_backup, archive_health
from portmap.archive_search import Search, archive_count, searched
from portmap.errors import PortmapError
from portmap.files import read_json, write_json
from portmap.log import noted
from portmap.revisions import save_job
from tests.archived_jobs import made_up_job
from tests.killed import child, killed, told
from tests.sample_job import sample

FEW, MANY = 6, 200  # kills: in every run, and in the long one
NOBODY = 65534


def pictured(number: int) -> dict:
    content = shot(number)
    picture = {
        "name": f"{number}.jpg",
        "sha256": hashlib.sha256(content).hexdigest(),
        "size_bytes": len(content),
    }
    return {**made_up_job(number), "pictures": [picture]}


def shot(number: int) -> bytes:
    return random.Random(number).randbytes(200_000)  # noqa: S311 - a made-up picture


def shot_of(picture) -> bytes:
    return shot(int(picture.name.partition(".")[0]))


def kill_archive(folder: Path, kills: int) -> tuple[int, int]:
    """Kill an adding process again and again; return how many jobs it acknowledged and how many stand."""
    dice, db = random.Random(5), str(folder / "archive.db")  # noqa: S311
    with opened_archive(db):
        pass
    first, kept = 0, {}
    for _ in range(kills):

        def work(tell, first=first):
            with opened_archive(db) as archive:
                for number in range(first, first + 1000):
                    done = add_job(archive, pictured(number), shot_of)
                    tell(f"{number} {done.entry.id}")

        for line in killed(work, dice):
            number, entry = map(int, line.split())
            kept[number] = entry
        first = max([first, *kept]) + 2  # the one that was under way may stand too
        with opened_archive(db) as archive:
            assert archive_health(archive, quick=True).problems == ()
    with opened_archive(db) as archive:
        health = archive_health(archive)
        assert health.problems == ()
        for number, entry in kept.items():
            assert document_sha256(archived_document(archive, entry)) == document_sha256(pictured(number))
    return len(kept), health.jobs


def test_an_archive_that_is_killed_loses_nothing_that_was_acknowledged(tmp_path):
    acknowledged, standing = kill_archive(tmp_path, FEW)
    assert acknowledged <= standing <= acknowledged + FEW


@pytest.mark.long
def test_two_hundred_kills_of_the_archive(tmp_path):
    acknowledged, standing = kill_archive(tmp_path, MANY)
    print(f"\n{MANY} kills: {acknowledged} additions acknowledged, {standing} stand, every check clean")
    assert acknowledged <= standing <= acknowledged + MANY


def kill_job(folder: Path, kills: int) -> tuple[int, int]:
    """Kill a process that writes notes and changes; return the acknowledged ones and those in the file."""
    dice, place = random.Random(7), write_json(folder / "saw.json", sample())  # noqa: S311
    count = 0
    for _ in range(kills):

        def work(tell):
            while True:
                document = read_json(place)
                number = len(document.get("log", ())) + 1
                new = noted({**document, "notes": f"look {number}"}, f"note {number}", at="2024-05-01")
                save_job(place, document, new, reason=f"change {number}")
                tell(str(number))

        lines = killed(work, dice)
        document = read_json(place)
        standing = len(document.get("log", ()))
        count = max([count, *map(int, lines)])
        assert count <= standing <= count + 1
        assert [note["text"] for note in document.get("log", ())] == [
            f"note {n + 1}" for n in range(standing)
        ]
        assert len(document.get("history", ())) == standing
        count = standing
    return count, len(read_json(place)["history"])


def test_a_job_that_is_killed_in_mid_write_loses_no_note_and_no_earlier_form(tmp_path):
    kill_job(tmp_path, FEW)


@pytest.mark.long
def test_two_hundred_kills_of_a_job(tmp_path):
    notes, forms = kill_job(tmp_path, MANY)
    print(f"\n{MANY} kills: {notes} notes and {forms} earlier forms, none lost")


def two_writers(place, each: int) -> None:
    with place.open():
        pass

    def work(side: int):
        def adding(tell):
            with place.open() as archive:
                for number in range(side * each, (side + 1) * each):
                    tell(str(add_job(archive, made_up_job(number), None).entry.id))

        return adding

    with child(work(0)) as (one, first), child(work(1)) as (other, second):
        entries = [int(line) for pipe in (first, second) for line in told(pipe)]
        codes = [os.waitpid(number, 0)[1] for number in (one, other)]
    assert codes == [0, 0]
    assert len(set(entries)) == len(entries) == 2 * each
    with place.open() as archive:
        assert archive_count(archive) == 2 * each
        assert archive_health(archive).problems == ()
        names = {found.entry.name for found in searched(archive, Search(limit=10_000))}
    assert names == {made_up_job(number)["name"] for number in range(2 * each)}


def test_two_writers_at_once(place):
    two_writers(place, 25)


@pytest.mark.long
def test_two_writers_of_a_thousand_each(place):
    two_writers(place, 1000)


def test_a_backup_while_another_process_adds_is_whole_and_has_all_that_was_acknowledged(tmp_path):
    db = str(tmp_path / "archive.db")
    with opened_archive(db):
        pass

    def work(tell):
        with opened_archive(db) as archive:
            for number in range(1000):
                tell(str(add_job(archive, pictured(number), shot_of).entry.id))

    with child(work) as (number, pipe):
        for turn in range(3):
            acknowledged = max(int(line) for line in os.read(pipe, 65536).split())
            with opened_archive(db, create=False) as archive:
                archive_backup(archive, tmp_path / f"backup{turn}")
            with opened_archive(str(tmp_path / f"backup{turn}" / "archive.db"), create=False) as copy:
                health = archive_health(copy)
                assert health.problems == ()
                assert health.jobs == health.pictures >= acknowledged
        os.kill(number, signal.SIGKILL)
        os.waitpid(number, 0)


def test_two_writers_of_later_forms_of_one_job_keep_all_of_them(place):
    with place.open() as archive:
        number = add_job(archive, sample(), None).entry.id

    def work(side: str):
        def adding(tell):
            with place.open() as archive:
                for turn in range(8):
                    add_job(archive, {**sample(), "notes": f"{side} {turn}"}, None, onto=number)
                    tell("done")

        return adding

    with child(work("left")) as (one, first), child(work("right")) as (other, second):
        assert len(told(first)) == len(told(second)) == 8
        assert [os.waitpid(number_, 0)[1] for number_ in (one, other)] == [0, 0]
    with place.open() as archive:
        notes = {archived_document(archive, number, form=form).get("notes") for form in range(1, 18)}
        assert archive_health(archive).problems == ()
    assert notes == {None, *(f"{side} {turn}" for side in ("left", "right") for turn in range(8))}


def refusal(work) -> str:
    """The one line with which work is refused in a process of its own."""

    def trying(tell):
        try:
            work()
        except PortmapError as error:
            tell(json.dumps(str(error)))

    with child(trying) as (number, pipe):
        lines = told(pipe)
        assert os.waitpid(number, 0)[1] == 0
    (line,) = lines
    message: str = json.loads(line)
    assert "\n" not in message
    return message


def small_disk() -> None:
    """Let no file grow beyond 300,000 bytes, as on a disk that is full."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))


def test_a_full_disk_is_one_line_and_all_that_was_there_stays(tmp_path):
    db = str(tmp_path / "archive.db")
    with opened_archive(db) as archive:
        for number in range(5):
            add_job(archive, pictured(number), shot_of)

    def fill():
        small_disk()
        with opened_archive(db) as archive:
            for number in range(5, 500):
                add_job(archive, made_up_job(number), None)

    message = refusal(fill)
    assert "full" in message or "disk" in message
    with opened_archive(db) as archive:
        assert archive_health(archive).problems == ()
        assert [archived_document(archive, number + 1) for number in range(5)] == [
            pictured(n) for n in range(5)
        ]
        assert add_job(archive, made_up_job(1000), None).new


def test_a_full_disk_leaves_a_job_as_it_was(tmp_path):
    place = write_json(tmp_path / "saw.json", sample())
    noise = shot(1)[:49_000].hex()

    def write():
        small_disk()
        save_job(place, sample(), {**sample(), "notes": noise}, reason="x")
        save_job(place, read_json(place), {**read_json(place), "readings": many()}, reason="y")

    assert "could not be written" in refusal(write)
    assert read_json(place)["engine"] == sample()["engine"]
    assert [path.name for path in tmp_path.iterdir()] == ["saw.json"]


def many() -> list[dict]:
    return [{"kind": "squish", "value": 0.6, "unit": "mm", "note": f"reading {n} " * 20} for n in range(2000)]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody who may not write there")
def test_a_folder_that_may_not_be_written_is_one_line():
    folder = Path(tempfile.mkdtemp(dir="/tmp"))
    folder.chmod(stat.S_IRWXU | stat.S_IRGRP | stat.S_IXGRP | stat.S_IROTH | stat.S_IXOTH)
    db = str(folder / "archive.db")
    with opened_archive(db) as archive:
        add_job(archive, sample(), None)

    def add():
        os.setuid(NOBODY)
        with opened_archive(db) as archive:
            add_job(archive, made_up_job(1), None)

    message = refusal(add)
    assert "may not be written" in message or "cannot be opened" in message
    with opened_archive(db) as archive:
        assert archive_count(archive) == 1
