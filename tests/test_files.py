import errno
import json
import os
import stat

import pytest

from portmap.errors import JobError, OutputError
from portmap.files import check_free, read_json, write_json, write_together, write_whole


def names(folder):
    return sorted(entry.name for entry in folder.iterdir())


def test_written_whole_and_readable_by_others_as_usual(tmp_path):
    place = write_whole(tmp_path / "a.txt", b"38.2 mm")
    assert place.read_bytes() == b"38.2 mm"
    assert stat.S_IMODE(place.stat().st_mode) & 0o400
    assert names(tmp_path) == ["a.txt"]


def test_an_existing_file_is_kept_unless_forced(tmp_path):
    place = tmp_path / "a.txt"
    place.write_bytes(b"old")
    with pytest.raises(OutputError, match=r"a\.txt: the file exists; choose another name, or add --force"):
        write_whole(place, b"new")
    assert place.read_bytes() == b"old"
    write_whole(place, b"new", force=True)
    assert place.read_bytes() == b"new"
    assert names(tmp_path) == ["a.txt"]


def test_a_missing_folder_is_said(tmp_path):
    with pytest.raises(OutputError, match="the folder does not exist; make it first"):
        write_whole(tmp_path / "none" / "a.txt", b"")


def test_a_folder_is_no_place_for_a_file(tmp_path):
    with pytest.raises(OutputError, match="this is a folder; name a file in it"):
        check_free(tmp_path)


def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch):
    (tmp_path / "a.json").write_text("old")

    def full(handle):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(
        OutputError, match=r"could not be written \(No space left on device\); free some space"
    ):
        write_together({tmp_path / "a.png": b"1", tmp_path / "a.json": b"new"}, force=True)
    assert names(tmp_path) == ["a.json"]
    assert (tmp_path / "a.json").read_text() == "old"


def test_none_of_several_is_put_in_place_before_all_are_ready(tmp_path):
    (tmp_path / "b").write_text("taken")
    with pytest.raises(OutputError, match="b: the file exists"):
        write_together({tmp_path / "a": b"1", tmp_path / "b": b"2"})
    assert names(tmp_path) == ["b"]


def test_another_program_that_was_faster_is_not_overwritten(tmp_path, monkeypatch):
    place = tmp_path / "a.txt"
    real_fsync = os.fsync

    def meanwhile(handle):
        place.write_bytes(b"theirs")
        real_fsync(handle)

    monkeypatch.setattr(os, "fsync", meanwhile)
    with pytest.raises(OutputError, match="the file exists"):
        write_whole(place, b"ours")
    assert place.read_bytes() == b"theirs"
    assert names(tmp_path) == ["a.txt"]


def test_json_there_and_back(tmp_path):
    value = {"bore_mm": 46.0, "name": "Prüfling °", "none": None}
    assert read_json(write_json(tmp_path / "a.json", value)) == value


def test_json_refuses_to_write_what_is_no_figure(tmp_path):
    with pytest.raises(ValueError, match="JSON"):
        write_json(tmp_path / "a.json", {"x": float("nan")})
    assert names(tmp_path) == []


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"{\n 'a': 1}", "not valid JSON at line 2, column 2"),
        (b'{"a": NaN}', "NaN is not a figure"),
        (b'{"a": Infinity}', "Infinity is not a figure"),
        (b'{"a": 1, "a": 2}', "the key 'a' stands twice"),
        (b"\xff\xfe\x00", "not a text file"),
        (b"[" * 100_000, "nested too deeply|not valid JSON"),
        (b"", "not valid JSON at line 1"),
        (b"1" * 5000, "integer|not a figure"),
    ],
    ids=["syntax", "nan", "infinity", "doubled key", "binary", "deep", "empty", "endless number"],
)
def test_a_file_that_is_no_plain_json_is_refused(tmp_path, content, words):
    place = tmp_path / "a.json"
    place.write_bytes(content)
    with pytest.raises(JobError, match=words):
        read_json(place)


def test_a_byte_order_mark_is_stepped_over(tmp_path):
    place = tmp_path / "a.json"
    place.write_bytes(b"\xef\xbb\xbf" + json.dumps({"a": 1}).encode())
    assert read_json(place) == {"a": 1}


def test_a_missing_file_and_a_folder_are_said(tmp_path):
    with pytest.raises(JobError, match="there is no such file; check the name"):
        read_json(tmp_path / "none.json")
    with pytest.raises(JobError, match="cannot be read"):
        read_json(tmp_path)
