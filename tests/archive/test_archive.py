"""Adding to an archive and getting back: every form, every picture, and nothing half."""

import hashlib
import json

import pytest

from portmap.archive import (
    add_job,
    archived_document,
    entry_of,
    forms_of,
    picture_content,
)
from portmap.archive_search import archive_count
from portmap.errors import ArchiveError, JobError
from portmap.job import job_of
from portmap.job_pictures import pictures_of
from tests.archived_jobs import made_up_job
from tests.sample_job import sample

PHOTO = b"\xff\xd8 a photo, made up \xff\xd9"
SHA = hashlib.sha256(PHOTO).hexdigest()


def with_picture(**changes) -> dict:
    picture = {"name": "bore.jpg", "sha256": SHA, "size_bytes": len(PHOTO)}
    note = {"at": "2024-05-01", "text": "as it came", "state": "measured", "pictures": [picture]}
    return {**sample(), "log": [note], **changes}


def photo(picture) -> bytes:
    assert picture.sha256 == SHA
    return PHOTO


def none(picture) -> bytes:
    raise AssertionError(picture)


def test_a_job_comes_back_as_it_went_in(place):
    document = with_picture(created="2024-04-30", notes="plating sound, Zündapp-grün? no: grün")
    with place.open() as archive:
        added = add_job(archive, document, photo, by="Ann")
        assert (added.new, added.namesakes) == (True, ())
    with place.open(create=False) as archive:
        again = archived_document(archive, added.entry.id)
        assert json.dumps(again) == json.dumps(document)
        entry = entry_of(archive, added.entry.id)
        assert (entry.name, entry.state, entry.day) == (sample()["name"], "measured", "2024-04-30")
        assert (entry.kinds, entry.bore_mm) == (("exhaust", "transfer", "intake"), 46.0)
        (picture,) = pictures_of(job_of(again))
        assert picture_content(archive, picture) == PHOTO
        (form,) = forms_of(archive, added.entry.id)
        assert (form.kept_by, form.reason) == ("Ann", "added")


def test_the_same_form_twice_is_kept_once(place):
    with place.open() as archive:
        first = add_job(archive, sample(), none)
        again = add_job(archive, sample(), none)
        onto = add_job(archive, sample(), none, onto=first.entry.id)
        assert (again.new, again.entry.id, onto.new) == (False, first.entry.id, False)
        assert archive_count(archive) == 1


def test_a_later_form_keeps_the_earlier_ones(place):
    with place.open() as archive:
        number = add_job(archive, sample(), none).entry.id
        later = add_job(archive, with_picture(name="renamed"), photo, onto=number, reason="ground")
        assert (later.entry.id, later.entry.form, later.entry.name) == (number, 2, "renamed")
        assert archived_document(archive, number)["name"] == "renamed"
        assert archived_document(archive, number, form=1) == sample()
        assert [form.reason for form in forms_of(archive, number)] == ["added", "ground"]
        with pytest.raises(ArchiveError, match="has no form 3, only 1 to 2"):
            archived_document(archive, number, form=3)


def test_a_namesake_is_told(place):
    with place.open() as archive:
        first = add_job(archive, sample(), none).entry.id
        second = add_job(archive, {**sample(), "notes": "another"}, none)
        assert (second.new, second.namesakes) == (True, (first,))


def test_an_entry_that_there_is_not(place):
    with place.open() as archive:
        with pytest.raises(ArchiveError, match="the archive has no job 9"):
            add_job(archive, sample(), none, onto=9)
        assert archive_count(archive) == 0


@pytest.mark.parametrize(
    ("document", "picture", "error", "words"),
    [
        ({**sample(), "version": 2}, none, JobError, "newer than this portmap"),
        ({**sample(), "name": ""}, none, JobError, "name"),
        (with_picture(), lambda picture: b"another", JobError, "not the one that was taken in"),
    ],
    ids=["newer major version", "unsound", "another picture"],
)
def test_what_is_refused_leaves_nothing(place, document, picture, error, words):
    with place.open() as archive:
        with pytest.raises(error, match=words):
            add_job(archive, document, picture)
        assert archive_count(archive) == 0
        assert archive.store.sizes_bytes() == {}


def test_a_newer_minor_version_is_kept_untouched(place):
    document = {**sample(), "minor": 9, "colour": {"of": "the paint", "is": "blue"}}
    with place.open() as archive:
        assert archived_document(archive, add_job(archive, document, none).entry.id) == document


def test_pictures_may_be_in_another_kind_of_store(place):
    from portmap.archive import opened_archive

    store = f"memory://{place.folder.name}"
    with opened_archive(place.url, pictures_url=store) as archive:
        add_job(archive, with_picture(), photo)
    with opened_archive(place.url) as archive:  # it knows where its pictures are
        assert archive.store.url == store
        assert list(archive.store.sizes_bytes()) == [f"{SHA}.jpg"]


def test_pictures_of_several_jobs_are_kept_once(place):
    with place.open() as archive:
        for number in range(3):
            add_job(archive, with_picture(notes=f"casting {number}"), photo)
        assert archive.store.sizes_bytes() == {f"{SHA}.jpg": len(PHOTO)}


def test_a_picture_that_went_missing_or_was_changed_is_said(place):
    with place.open() as archive:
        number = add_job(archive, with_picture(), photo).entry.id
        (picture,) = pictures_of(job_of(archived_document(archive, number)))
        kept = place.pictures / SHA[:2] / f"{SHA}.jpg"
        kept.write_bytes(b"retouched")
        with pytest.raises(ArchiveError, match="picture was changed"):
            picture_content(archive, picture)
        kept.unlink()
        with pytest.raises(ArchiveError, match="picture is missing"):
            picture_content(archive, picture)


def test_made_up_jobs_are_sound_and_all_different():
    made = [made_up_job(number) for number in range(40)]
    assert len({json.dumps(one) for one in made}) == 40
    assert all(job_of(one).maps for one in made)
    assert made[7] == made_up_job(7)
