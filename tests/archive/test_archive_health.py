"""Every fault of an archive is found, a sound one is called sound, and a backup is one."""

import hashlib

import pytest
import sqlalchemy as sa

from portmap.archive import add_job, archived_document, opened_archive
from portmap.archive_health import archive_backup, archive_health
from portmap.errors import ArchiveError, OutputError
from tests.sample_job import sample

PHOTOS = [b"\xff\xd8 made up %d \xff\xd9" % number for number in range(3)]


def job(number: int) -> dict:
    photo = PHOTOS[number]
    picture = {
        "name": f"{number}.jpg",
        "sha256": hashlib.sha256(photo).hexdigest(),
        "size_bytes": len(photo),
    }
    return {**sample(), "name": f"job {number}", "pictures": [picture]}


def photo_of(picture) -> bytes:
    return next(photo for photo in PHOTOS if hashlib.sha256(photo).hexdigest() == picture.sha256)


@pytest.fixture
def filled(place):
    with place.open() as archive:
        for number in range(3):
            add_job(archive, job(number), photo_of)
        yield place, archive


def stored(place, number: int):
    sha256 = hashlib.sha256(PHOTOS[number]).hexdigest()
    return place.pictures / sha256[:2] / f"{sha256}.jpg"


def codes(archive, **options) -> list[str]:
    return [problem.code for problem in archive_health(archive, **options).problems]


def test_a_sound_archive(filled):
    health = archive_health(filled[1])
    assert (health.jobs, health.forms, health.pictures, health.loose, health.problems) == (3, 3, 3, (), ())


def test_a_missing_picture(filled):
    place, archive = filled
    stored(place, 1).unlink()
    (problem,) = archive_health(archive).problems
    assert (problem.code, problem.what) == ("missing-picture", stored(place, 1).name)
    assert "of job 2 is missing" in problem.message


def test_a_picture_changed_in_size_is_found_even_quickly(filled):
    place, archive = filled
    stored(place, 0).write_bytes(b"other")
    assert codes(archive, quick=True) == codes(archive) == ["changed-picture"]


def test_a_picture_changed_in_one_bit_is_found_by_reading_it(filled):
    place, archive = filled
    content = bytearray(PHOTOS[0])
    content[5] ^= 1
    stored(place, 0).write_bytes(content)
    assert (codes(archive, quick=True), codes(archive)) == ([], ["changed-picture"])


def test_an_orphan(filled):
    place, archive = filled
    (place.pictures / "ff").mkdir(exist_ok=True)
    (place.pictures / "ff" / f"{'f' * 64}.jpg").write_bytes(b"from nowhere")
    assert codes(archive) == ["orphan-picture"]


def test_all_faults_at_once_are_all_told(filled):
    place, archive = filled
    stored(place, 0).unlink()
    stored(place, 1).write_bytes(b"other")
    (place.pictures / "stray.jpg").write_bytes(b"x")
    assert sorted(codes(archive)) == ["changed-picture", "missing-picture", "orphan-picture"]


def test_a_picture_that_an_addition_left_when_it_was_cut_off_does_no_harm(filled):
    _, archive = filled

    class CutOffError(Exception):
        pass

    def cut_off(connection, cursor, statement, *_):
        if statement.startswith("INSERT INTO jobs"):
            raise CutOffError

    sa.event.listen(archive.engine, "before_cursor_execute", cut_off)
    extra = b"a fourth"
    picture = {"name": "d.png", "sha256": hashlib.sha256(extra).hexdigest(), "size_bytes": len(extra)}
    with pytest.raises(CutOffError):
        add_job(archive, {**sample(), "pictures": [picture]}, lambda _: extra)
    sa.event.remove(archive.engine, "before_cursor_execute", cut_off)
    health = archive_health(archive)
    assert (health.jobs, health.problems) == (3, ())
    assert health.loose == (f"{picture['sha256']}.png",)
    assert add_job(archive, {**sample(), "pictures": [picture]}, lambda _: extra).new
    assert archive_health(archive).loose == ()


@pytest.mark.parametrize(
    ("statement", "code"),
    [
        ("UPDATE document_forms SET sha256 = 'x' WHERE job_id = 2", "damaged-document"),
        ("UPDATE document_forms SET content = (SELECT content FROM document_forms WHERE job_id = 1)"
         " WHERE job_id = 2", "damaged-document"),
        ("DELETE FROM document_forms WHERE job_id = 2", "damaged-document"),
    ],
    ids=["another hash", "another document", "no document"],
)  # fmt: skip
def test_a_document_that_was_tampered_with(filled, statement, code):
    _, archive = filled
    with archive.engine.begin() as connection:
        connection.execute(sa.text(statement))
    assert code in codes(archive)
    with pytest.raises(ArchiveError):
        archived_document(archive, 2)


def test_words_that_went_missing(filled):
    _, archive = filled
    column = "rowid" if archive.engine.dialect.name == "sqlite" else "job_id"
    with archive.engine.begin() as connection:
        connection.execute(sa.text(f"DELETE FROM job_words WHERE {column} = 3"))  # noqa: S608 - ours
    assert codes(archive) == ["words-missing"]


def test_a_backup_made_while_the_archive_is_in_use_is_an_archive(filled, tmp_path):
    _, archive = filled
    out = tmp_path / "backup"
    if archive.engine.dialect.name != "sqlite":
        with pytest.raises(ArchiveError, match="pg_dump"):
            archive_backup(archive, out)
        return
    with archive.engine.connect() as reader, reader.begin():
        reader.execute(sa.text("SELECT count(*) FROM jobs"))
        assert archive_backup(archive, out) == 3
    with opened_archive(str(out / "archive.db"), create=False) as copy:
        assert copy.store.root == str(out / "archive.pictures")
        assert archive_health(copy).problems == ()
        assert [archived_document(copy, number + 1) for number in range(3)] == [
            job(number) for number in range(3)
        ]
    with pytest.raises(OutputError, match="something there already"):
        archive_backup(archive, out)
