"""A store of pictures does the same in a folder, in memory and behind a server that speaks S3.

The SHA-256 of "abc" is that of FIPS 180-4 (its example B.1, from memory).
"""

import hashlib
import importlib
import os
import subprocess
import sys
import uuid
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from portmap.archive import add_job, archived_document, opened_archive, picture_content
from portmap.archive_folders import export_archive, import_folders
from portmap.archive_health import archive_backup, archive_health
from portmap.archive_pictures import picture_store
from portmap.errors import ArchiveError
from portmap.job import job_of
from portmap.job_pictures import pictures_of
from tests.archive.stores import s3_server
from tests.sample_job import sample

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad.jpg"
KINDS = ["folder", "memory", "s3"]


@pytest.fixture(scope="module")
def s3():
    """The address of an S3 server that is empty at first."""
    pytest.importorskip("s3fs", reason="pip install 's3fs' brings the way to S3")
    pytest.importorskip("moto", reason="pip install 'moto[s3]' brings a server that speaks S3")
    with s3_server() as address:
        yield address


@pytest.fixture(params=KINDS)
def url(request, tmp_path) -> str:
    """Where an empty store is."""
    if request.param == "s3":
        request.getfixturevalue("s3")
    name = uuid.uuid4().hex[:12]
    bases = {"folder": str(tmp_path / "pictures"), "memory": f"memory://{name}", "s3": f"s3://b{name}/bench"}
    return bases[request.param]


def stored(content: bytes) -> str:
    return f"{hashlib.sha256(content).hexdigest()}.jpg"


def pictured(**contents: bytes) -> dict:
    pictures = [
        {"name": name, "sha256": hashlib.sha256(content).hexdigest(), "size_bytes": len(content)}
        for name, content in contents.items()
    ]
    return {**sample(), "pictures": pictures}


def of(**contents: bytes):
    return lambda picture: contents[picture.name]


def test_what_is_put_is_there_under_its_hash_and_once(url):
    store = picture_store(url)
    assert (store.sizes_bytes(), store.size_bytes(ABC)) == ({}, None)
    store.put(ABC, b"abc")
    store.put(ABC, b"abc")
    assert store.content(ABC) == b"abc"
    assert store.size_bytes(ABC) == 3
    assert store.sizes_bytes() == {ABC: 3}
    assert store.place(ABC).endswith(f"/ba/{ABC}")


def test_a_missing_one_and_a_changed_one_are_one_line_each(url):
    store = picture_store(url)
    store.put(ABC, b"abc")
    with pytest.raises(ArchiveError, match="picture is missing; portmap archive verify") as caught:
        store.content(stored(b"another"))
    assert "\n" not in str(caught.value)
    store.filesystem.pipe_file(store.place(ABC), b"abd")
    with pytest.raises(ArchiveError, match="picture was changed; restore it from a backup"):
        store.content(ABC)


def test_one_that_was_cut_off_is_put_anew(url):
    store = picture_store(url)
    store.put(ABC, b"abc")
    store.filesystem.pipe_file(store.place(ABC), b"a")
    store.put(ABC, b"abc")
    assert store.content(ABC) == b"abc"


def test_what_others_put_and_take_away_is_seen_at_once(url):
    """No listing is remembered: another bench may use the same store."""
    if url.startswith("memory:"):
        pytest.skip("memory is of one process alone")
    store, other = picture_store(url), stored(b"from another bench")
    store.put(ABC, b"abc")
    assert store.sizes_bytes() == {ABC: 3}
    work = (
        "import sys; from portmap.archive_pictures import picture_store; store = picture_store(sys.argv[1]);"
        "store.put(sys.argv[2], b'from another bench');"
        "store.filesystem.rm_file(store.place(sys.argv[3]))"
    )
    subprocess.run([sys.executable, "-c", work, url, other, ABC], check=True, env=os.environ)
    assert (store.size_bytes(ABC), store.size_bytes(other)) == (None, 18)
    assert store.sizes_bytes() == {other: 18}


def test_an_archive_keeps_its_pictures_there_and_every_fault_is_found(url, tmp_path):
    shots = {"a.jpg": b"first", "b.jpg": b"second", "c.jpg": b"third"}
    db = str(tmp_path / "archive.db")
    with opened_archive(db, pictures_url=url) as archive:
        number = add_job(archive, pictured(**shots), of(**shots)).entry.id
        assert archive_health(archive).problems == ()
    with opened_archive(db, create=False) as archive:  # it knows where its pictures are
        store = archive.store
        for picture in pictures_of(job_of(archived_document(archive, number))):
            assert picture_content(archive, picture) == shots[picture.name]
        store.filesystem.rm_file(store.place(stored(b"first")))
        store.filesystem.pipe_file(store.place(stored(b"second")), b"sekond")
        store.put(ABC, b"abc")
        found = sorted((problem.code, problem.what) for problem in archive_health(archive).problems)
    assert found == [
        ("changed-picture", stored(b"second")),
        ("missing-picture", stored(b"first")),
        ("orphan-picture", ABC),
    ]


def test_out_to_folders_into_another_store_and_to_a_backup_without_loss(url, tmp_path):
    shots = {"a.jpg": b"first", "b.jpg": b"second"}
    with opened_archive(str(tmp_path / "archive.db"), pictures_url=url) as archive:
        add_job(archive, pictured(**shots), of(**shots))
        export_archive(archive, tmp_path / "all")
        assert archive_backup(archive, tmp_path / "backup") == 2
    places = {"again": (str(tmp_path / "again.db"), f"{url}/again"), "backup": (None, None)}
    with opened_archive(places["again"][0], pictures_url=places["again"][1]) as archive:
        assert import_folders(archive, tmp_path / "all").added == (1,)
        assert archived_document(archive, 1) == pictured(**shots)
        assert archive_health(archive).problems == ()
    with opened_archive(str(tmp_path / "backup" / "archive.db"), create=False) as archive:
        assert archive.store.local
        assert archive_health(archive).problems == ()


@given(contents=st.lists(st.binary(min_size=1, max_size=2000), max_size=4, unique=True))
@settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_come_back(url, contents):
    """Law: what was put comes back, byte for byte, and the listing knows its size."""
    store = picture_store(f"{url}/{uuid.uuid4().hex}")
    for content in contents:
        store.put(stored(content), content)
    assert store.sizes_bytes() == {stored(content): len(content) for content in contents}
    assert [store.content(stored(content)) for content in contents] == contents


def test_a_server_that_is_away_is_one_line_and_the_job_is_not_half_there(s3, tmp_path, monkeypatch):
    monkeypatch.setenv("AWS_ENDPOINT_URL_S3", "http://127.0.0.1:1")
    monkeypatch.setenv("AWS_MAX_ATTEMPTS", "1")
    picture_store("s3://away/bench").filesystem.clear_instance_cache()
    with opened_archive(str(tmp_path / "a.db"), pictures_url="s3://away/bench") as archive:
        with pytest.raises(ArchiveError, match=r"the store of pictures fails .* check it") as caught:
            add_job(archive, pictured(a=b"first"), of(a=b"first"))
        assert "\n" not in str(caught.value)
        with pytest.raises(ArchiveError, match="the archive has no job 1"):
            archived_document(archive, 1)
    picture_store("s3://away/bench").filesystem.clear_instance_cache()


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("gopher://bench/pictures", "no such store can be reached"),
        ("s3://bench/pictures", r"pip install 'portmap\[s3\]'"),
    ],
    ids=["no store", "without s3fs"],
)
def test_a_store_that_nothing_here_can_reach(monkeypatch, url, words):
    monkeypatch.setitem(sys.modules, "s3fs", None)
    monkeypatch.delitem(importlib.import_module("fsspec.registry")._registry, "s3", raising=False)
    with pytest.raises(ArchiveError, match=words) as caught:
        picture_store(url)
    assert "\n" not in str(caught.value)


def test_a_folder_that_may_not_be_written_is_one_line(tmp_path):
    blocked = tmp_path / "pictures"
    blocked.write_text("a file where the folder should be")
    with pytest.raises(ArchiveError, match="the store of pictures fails"):
        picture_store(str(blocked)).put(ABC, b"abc")
    assert Path(blocked).read_text().startswith("a file")
