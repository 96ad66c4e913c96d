"""An archive written to plain folders and read back is the same archive."""

import hashlib
import json

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from portmap.archive import add_job, archived_document, forms_of, opened_archive, picture_content
from portmap.archive_folders import export_archive, import_folders
from portmap.archive_health import archive_health
from portmap.files import read_json
from portmap.job import job_of
from portmap.job_pictures import pictures_of
from portmap.pack import pack_bytes, packed_picture_bytes, read_pack
from tests.archived_jobs import made_up_job
from tests.sample_job import sample


def pictured(document: dict, contents: dict[str, bytes]) -> dict:
    pictures = [
        {"name": name, "sha256": hashlib.sha256(content).hexdigest(), "size_bytes": len(content)}
        for name, content in contents.items()
    ]
    return {**document, "pictures": pictures}


def test_out_and_back_without_loss(place, second, tmp_path):
    shots = {"a.jpg": b"first", "b.png": b"second"}
    by_sha = {hashlib.sha256(content).hexdigest(): content for content in shots.values()}
    with place.open() as archive:
        first = add_job(archive, pictured(sample(), shots), lambda one: by_sha[one.sha256], by="Ann").entry
        later = {**sample(), "name": "später / ground?", "pictures": []}
        add_job(archive, later, lambda one: by_sha[one.sha256], onto=first.id, reason="ground")
        add_job(archive, made_up_job(3), None)
        assert export_archive(archive, tmp_path / "all") == 2
        forms = [forms_of(archive, number) for number in (1, 2)]
    assert (tmp_path / "all/0001 später  ground/job.json").is_file()
    with second.open() as archive:
        done = import_folders(archive, tmp_path / "all")
        assert (done.added, done.known, done.failed) == ((1, 2), (), ())
        assert [forms_of(archive, number) for number in (1, 2)] == forms
        assert archived_document(archive, 1, form=1) == pictured(sample(), shots)
        assert archived_document(archive, 1) == later
        assert archived_document(archive, 2) == made_up_job(3)
        (shot, _) = pictures_of(job_of(archived_document(archive, 1, form=1)))
        assert picture_content(archive, shot) == b"first"
        assert archive_health(archive).problems == ()
        again = import_folders(archive, tmp_path / "all")
        assert (again.added, again.known) == ((), (1, 2))


def test_a_folder_that_fails_does_not_stop_the_others(place, tmp_path):
    for name, content in (
        ("a", "{"),
        ("b", json.dumps(sample())),
        ("c", json.dumps({**sample(), "version": 9})),
    ):
        (tmp_path / "in" / name).mkdir(parents=True)
        (tmp_path / "in" / name / "job.json").write_text(content)
    with place.open() as archive:
        done = import_folders(archive, tmp_path / "in")
    assert done.added == (1,)
    assert [name for name, _ in done.failed] == ["a", "c"]
    assert "newer than this portmap" in done.failed[1][1]


names = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=30)


@given(
    name=names,
    notes=st.none() | st.text(st.characters(exclude_categories=["Cs"]), max_size=200),
    contents=st.dictionaries(names, st.binary(min_size=1, max_size=50), max_size=3),
    seed=st.integers(0, 500),
)
@settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_job_to_pack_to_archive_to_folders_to_job(tmp_path_factory, name, notes, contents, seed):
    """Law: a job that goes through a pack, an archive, an export and a second archive is the same job."""
    folder = tmp_path_factory.mktemp("law")
    document = pictured({**made_up_job(seed), "name": name, "notes": notes}, contents)
    entries = pictures_of(job_of(document))
    by_sha = {hashlib.sha256(content).hexdigest(): content for content in contents.values()}
    pack = folder / "a.portmap.zip"
    pack.write_bytes(pack_bytes(document, [(one, by_sha[one.sha256]) for one in entries]))
    found = read_pack(pack)
    with opened_archive(str(folder / "a.db")) as archive:
        add_job(archive, found.document, lambda one: packed_picture_bytes(pack, one))
        export_archive(archive, folder / "all")
    with opened_archive(str(folder / "b.db")) as archive:
        import_folders(archive, folder / "all")
        assert json.dumps(archived_document(archive, 1)) == json.dumps(document)
        for one in entries:
            assert picture_content(archive, one) == by_sha[one.sha256]
        assert archive_health(archive).problems == ()
    (exported,) = (folder / "all").glob("*/job.json")
    assert read_json(exported) == document
