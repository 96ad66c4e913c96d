"""Packed jobs: what goes in comes out, the same bytes each time, and hostile ones are refused in one line."""

import hashlib
import io
import json
import re
import stat
import struct
import warnings
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from portmap import pack as packing
from portmap.cli import main
from portmap.errors import JobError, OutputError, PortmapError
from portmap.files import json_bytes, read_json, write_json
from portmap.job_faults import document_of
from portmap.job_pictures import keep_picture
from portmap.log import noted
from portmap.pack import pack_bytes, pack_job, read_pack, unpack_job
from tests.sample_job import sample

JPEG = b"\xff\xd8\xff\xe0 not a real photo \xff\xd9"
SHA = hashlib.sha256(JPEG).hexdigest()
PICTURE = {"name": "bore.jpg", "sha256": SHA, "size_bytes": len(JPEG)}


def shown() -> dict:
    return {**sample(), "pictures": [PICTURE]}


def zipped(entries, *, comment=b"") -> bytes:
    """A zip of (name or ZipInfo, content) as somebody else's program might write it."""
    page = io.BytesIO()
    with zipfile.ZipFile(page, "w", zipfile.ZIP_DEFLATED) as file:
        for name, content in entries:
            file.writestr(name, content)
        file.comment = comment
    return page.getvalue()


def good(*more) -> list:
    return [("job.json", json_bytes(shown())), (f"pictures/{SHA}.jpg", JPEG), *more]


@pytest.fixture
def bench(tmp_path):
    """A job with a picture in its log."""
    photo = tmp_path / "IMG 1.JPG"
    photo.write_bytes(JPEG)
    job = tmp_path / "saw.json"
    entry = keep_picture(job, photo)
    write_json(job, noted(sample(), "as it came", at="2024-05-01", pictures=[entry]))
    photo.unlink()
    return job


def refused(tmp_path: Path, content: bytes) -> str:
    """The one line that a pack is refused with; nothing may be written."""
    place = tmp_path / "bad.portmap.zip"
    place.write_bytes(content)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(JobError) as caught:
        unpack_job(place, tmp_path / "out")
    assert sorted(tmp_path.rglob("*")) == before
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_there_and_back(bench, tmp_path):
    out = tmp_path / "saw.portmap.zip"
    extra = tmp_path / "scope.png"
    extra.write_bytes(b"png")
    written = pack_job(bench, out, extra=[extra])
    found, place = unpack_job(out, tmp_path / "new")
    assert read_json(place) == written.document == found.document
    assert read_json(place)["log"] == read_json(bench)["log"]
    assert [entry.name for entry in found.pictures] == ["scope.png", "IMG 1.JPG"]
    names = sorted(path.name for path in (tmp_path / "new/job.pictures").iterdir())
    assert names == sorted([f"{SHA}.jpg", f"{hashlib.sha256(b'png').hexdigest()}.png"])
    pack_job(place, tmp_path / "again.zip")
    assert (tmp_path / "again.zip").read_bytes() == out.read_bytes()


def test_the_same_job_gives_the_same_bytes_whenever_and_from_wherever(bench, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    first, second = tmp_path / "a.zip", tmp_path / "elsewhere" / "b.zip"
    pack_job(bench, first)
    pack_job(bench, second)
    assert first.read_bytes() == second.read_bytes()
    with zipfile.ZipFile(first) as file:
        assert {entry.date_time for entry in file.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert file.testzip() is None  # the standard library's own check


def test_what_other_programs_do_to_a_pack_does_not_matter(tmp_path):
    place = tmp_path / "a.zip"
    place.write_bytes(zipped([("pictures/", b""), *good()], comment=b"from the bench"))
    assert read_pack(place).pictures[0].sha256 == SHA


def test_a_newer_minor_version_is_read_and_kept(tmp_path):
    newer = {**shown(), "minor": 9, "colour": "blue"}
    place = tmp_path / "a.zip"
    place.write_bytes(zipped([("job.json", json_bytes(newer)), ("sounds/idle.wav", b"x"), *good()[1:]]))
    found, written = unpack_job(place, tmp_path / "out")
    assert read_json(written) == newer
    assert [notice.code for notice in found.notices] == ["newer-parts"]
    assert not (tmp_path / "out/sounds").exists()


def test_a_picture_that_the_pack_lacks_is_said(tmp_path):
    place = tmp_path / "a.zip"
    place.write_bytes(zipped(good()[:1]))
    found = read_pack(place)
    assert ([notice.code for notice in found.notices], found.pictures) == (["missing-picture"], ())


def link(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name)
    entry.create_system, entry.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    return entry


def device(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name)
    entry.create_system, entry.external_attr = 3, (stat.S_IFCHR | 0o666) << 16
    return entry


def with_job(**changes) -> bytes:
    return zipped([("job.json", json_bytes({**sample(), **changes}))])


HOSTILE = {
    "out of the folder": (lambda: zipped(good(("../evil", b"x"))), "leads out of the folder"),
    "out by a backslash": (lambda: zipped(good(("pictures\\..\\..\\evil", b"x"))), "leads out|not a plain"),
    "absolute": (lambda: zipped(good(("/etc/cron.d/evil", b"x"))), "absolute path"),
    "a drive": (lambda: zipped(good(("C:/evil", b"x"))), "absolute path"),
    "a dot inside": (lambda: zipped(good(("pictures/./evil", b"x"))), "leads out of the folder"),
    "an escape in the name": (lambda: zipped(good(("pictures/\x1b[2J", b"x"))), "not a plain one"),
    "a link": (lambda: zipped(good((link("pictures/x"), "/etc/passwd"))), "is a link"),
    "the job a link": (lambda: zipped([(link("job.json"), "/etc/passwd")]), "is a link"),
    "a device": (lambda: zipped(good((device("pictures/x"), b""))), "is no plain file"),
    "a bomb": (lambda: zipped(good(("pictures/x", bytes(20_000_000)))), r"swell \d+ times"),
    "a job that is a bomb": (lambda: zipped([("job.json", b" " * 20_000_000)]), r"swell \d+ times"),
    "a name twice": (lambda: doubled("job.json"), "stands in it twice"),
    "a name twice but for its case": (lambda: zipped(good(("JOB.JSON", b"{}"))), "stands in it twice"),
    "another picture": (
        lambda: zipped([good()[0], (f"pictures/{SHA}.jpg", b"another")]),
        "not the one that the job names",
    ),
    "a stranger": (lambda: zipped(good(("evil.py", b"x"))), "the job says nothing of 'evil.py'"),
    "too many": (lambda: zipped([(f"pictures/{n}", b"") for n in range(5001)]), "5001 entries"),
    "no job": (lambda: zipped(good()[1:]), "no job.json"),
    "a newer major version": (lambda: with_job(version=2), "version 2 is newer"),
    "a job with a fault": (lambda: with_job(name=3), "3 is not text"),
    "not JSON": (lambda: zipped([("job.json", b"{")]), "not valid JSON"),
    "nothing": (lambda: b"", "not a packed job"),
    "no zip": (lambda: b"PK but no zip at all", "not a packed job"),
    "half of one": (lambda: zipped(good())[:200], "not a packed job"),
    "locked": (lambda: flagged(1), "locked with a password"),
    "overlapping": (lambda: overlapping(), "lie on one another|damaged"),
    "a size that is a lie": (lambda: lying(), "damaged|swell|not the one"),
}


def doubled(name: str) -> bytes:
    with pytest.warns(UserWarning, match="Duplicate"):
        return zipped([(name, b"{}"), *good()])


def flagged(bit: int) -> bytes:
    """A pack whose directory says that its first entry has this flag."""
    raw = bytearray(zipped(good()))
    at = raw.index(b"PK\x01\x02")
    struct.pack_into("<H", raw, at + 8, bit)
    return bytes(raw)


def overlapping() -> bytes:
    """A pack whose two entries are one and the same place, as in a bomb of many layers."""
    raw = bytearray(zipped([good()[0], ("pictures/" + "0" * 64, json_bytes(shown()) * 40)]))
    first = raw.index(b"PK\x01\x02")
    second = raw.index(b"PK\x01\x02", first + 4)
    struct.pack_into("<I", raw, second + 42, struct.unpack_from("<I", raw, first + 42)[0])
    struct.pack_into("<I", raw, first + 20, len(raw))
    return bytes(raw)


def lying() -> bytes:
    """A pack whose picture is longer than its directory says."""
    raw = bytearray(zipped(good()))
    last = raw.rindex(b"PK\x01\x02")
    struct.pack_into("<I", raw, last + 24, 3)
    return bytes(raw)


@pytest.mark.parametrize(("make", "words"), HOSTILE.values(), ids=HOSTILE.keys())
def test_hostile_packs_are_refused_in_one_line(tmp_path, make, words):
    line = refused(tmp_path, make())
    assert re.search(words, line), line


def test_more_than_a_job_can_have_is_refused_before_it_is_unpacked(tmp_path, monkeypatch):
    monkeypatch.setattr(packing, "TOTAL_LIMIT_BYTES", 1000)
    assert "would unpack to more than" in refused(tmp_path, zipped(good()))
    monkeypatch.setattr(packing, "PICTURE_LIMIT_BYTES", 10)
    assert "would unpack to more than" in refused(tmp_path, zipped(good()))


names = st.sampled_from(
    [
        "job.json",
        f"pictures/{SHA}.jpg",
        "../job.json",
        "/job.json",
        "a/../../b",
        "pictures/",
        "JOB.json",
        "x",
        "",
    ]
) | st.text(max_size=8)


@st.composite
def bent_packs(draw) -> bytes:
    """A pack with entries added, left out, linked or doubled, then with bytes changed or cut."""
    entries = []
    for name, content in good():
        if draw(st.integers(0, 9)):
            entries.append((name, content if draw(st.integers(0, 9)) else draw(st.binary(max_size=30))))
    for name in draw(st.lists(names, max_size=3)):
        entry = link(name) if draw(st.booleans()) else zipfile.ZipInfo(name)
        entries.insert(draw(st.integers(0, len(entries))), (entry, draw(st.binary(max_size=30))))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # zipfile's own word on doubled names
        raw = bytearray(zipped(entries))
    for _ in range(draw(st.integers(0, 4))):
        raw[draw(st.integers(0, len(raw) - 1))] = draw(st.integers(0, 255))
    return bytes(raw[: draw(st.integers(0, len(raw)))] if not draw(st.integers(0, 5)) else raw)


def survives(folder: Path, content: bytes) -> bool:
    """Whether a pack was taken; a refusal must be one line of ours and leave nothing."""
    place, inside = folder / "a.zip", folder / "inside"
    inside.mkdir()
    place.write_bytes(content)
    try:
        found, written = unpack_job(place, inside / "out")
    except PortmapError:
        assert list(inside.iterdir()) == []
        return False
    finally:
        assert sorted(path.name for path in folder.iterdir()) == ["a.zip", "inside"]
    allowed = {"job.json", "job.pictures", *(f"{entry.sha256}.jpg" for entry in found.pictures)}
    for path in (inside / "out").rglob("*"):
        assert not path.is_symlink()
        assert path.name.split(".")[0] in {name.split(".")[0] for name in allowed}
        if path.parent.name == "job.pictures":
            assert hashlib.sha256(path.read_bytes()).hexdigest() == path.name.split(".")[0]
    assert read_json(written) == found.document
    return True


@example(content=zipped(good()))
@given(content=bent_packs())
@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_bent_packs_are_read_right_or_refused_whole(tmp_path_factory, content):
    survives(tmp_path_factory.mktemp("bent"), content)


@pytest.mark.long
def test_a_thousand_bent_packs(tmp_path_factory):
    taken: list[bool] = []

    @given(content=bent_packs())
    @settings(deadline=None, max_examples=1000, database=None)
    def bend(content):
        taken.append(survives(tmp_path_factory.mktemp("bent"), content))

    bend()
    print(f"\n{len(taken)} packs: {sum(taken)} sound, {len(taken) - sum(taken)} refused")
    assert len(taken) >= 1000


def test_a_missing_picture_is_asked_for_and_taken_from_where_it_is_named(bench, tmp_path):
    kept = next((tmp_path / "saw.pictures").iterdir())
    away = tmp_path / "gallery.jpg"
    kept.rename(away)
    with pytest.raises(JobError, match=r"picture IMG 1.JPG is not there; put it back, or give its file to"):
        pack_job(bench, tmp_path / "a.zip")
    assert not (tmp_path / "a.zip").exists()
    pack_job(bench, tmp_path / "a.zip", extra=[away])
    assert read_pack(tmp_path / "a.zip").notices == ()


def test_a_changed_picture_is_not_passed_off_as_the_one_taken_in(bench, tmp_path):
    next((tmp_path / "saw.pictures").iterdir()).write_bytes(b"retouched")
    with pytest.raises(JobError, match="was changed since it was taken in"):
        pack_job(bench, tmp_path / "a.zip")


@pytest.mark.parametrize("there", ["file", "full folder", "link"])
def test_nothing_is_unpacked_over_what_is_there(bench, tmp_path, there):
    pack_job(bench, tmp_path / "a.zip")
    out = tmp_path / "out"
    if there == "file":
        out.write_text("mine")
    elif there == "link":
        (tmp_path / "elsewhere").mkdir()
        out.symlink_to(tmp_path / "elsewhere")
    else:
        out.mkdir()
        (out / "mine").write_text("mine")
    with pytest.raises(OutputError, match="something there already"):
        unpack_job(tmp_path / "a.zip", out)
    assert document_of(read_pack(tmp_path / "a.zip").job)["name"] == sample()["name"]


def test_the_verbs_say_what_they_wrote(bench, tmp_path, capsys):
    out = str(tmp_path / "saw.portmap.zip")
    assert main(["pack", str(bench), "--out", out, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["pictures"] == ["IMG 1.JPG"]
    assert main(["pack", str(bench), "--out", out]) == 1
    assert "add --force" in capsys.readouterr().err
    assert main(["unpack", out, "--out", str(tmp_path / "new")]) == 0
    assert "and 1 picture." in capsys.readouterr().out
    assert main(["unpack", str(bench), "--out", str(tmp_path / "newer")]) == 1
    assert "not a packed job" in capsys.readouterr().err


def test_a_job_without_pictures_is_packed_too(tmp_path):
    assert read_pack_bytes(tmp_path, pack_bytes(sample(), [])).pictures == ()


def read_pack_bytes(tmp_path, content):
    place = tmp_path / "a.zip"
    place.write_bytes(content)
    return read_pack(place)
