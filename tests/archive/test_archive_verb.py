"""The verbs of the archive: what they print, their exit codes, and one line for what is at fault."""

import json

import pytest

from portmap.cli import main
from portmap.files import read_json, write_json
from portmap.pack import pack_job
from tests.sample_job import box, sample


@pytest.fixture
def bench(place, tmp_path, capsys):
    """A job with a picture, and a way to run verbs on the archive."""
    job = write_json(tmp_path / "saw.json", sample())
    photo = tmp_path / "shot.jpg"
    photo.write_bytes(b"photo")
    assert main(["log", str(job), "as it came", "--picture", str(photo), "--date", "2024-05-01"]) == 0
    capsys.readouterr()

    def run(*arguments) -> tuple[int, str, str]:
        code = main(["archive", *(str(argument) for argument in arguments), *place.options()])
        out, err = capsys.readouterr()
        return code, out, err

    return run


def test_a_job_is_added_found_shown_and_got_back(bench, tmp_path):
    assert bench("add", tmp_path / "saw.json")[:2] == (0, f"Added job 1: {sample()['name']}.\n")
    assert "There already: job 1" in bench("add", tmp_path / "saw.json")[1]
    for search in (
        ["pump"],
        ["--bore", "45.9..46.1"],
        ["--figure", "exhaust.opens_deg=98..99"],
        ["as it came"],
    ):
        code, out, _ = bench("list", *search)
        assert (code, "1 of 1 jobs." in out) == (0, True), search
    assert "0 of 1 jobs." in bench("list", "kart")[1]
    code, out, _ = bench("show", 1)
    assert code == 0
    assert "In a search stock.exhaust.area_mm2 is that of the stock ports" in out
    assert [line.split() for line in out.splitlines() if "exhaust.opens_deg" in line] == [
        ["exhaust.opens_deg", "98.63"]
    ]
    assert bench("get", 1, "--out", tmp_path / "again.json")[0] == 0
    assert (tmp_path / "again.json").read_bytes() == (tmp_path / "saw.json").read_bytes()
    assert [path.read_bytes() for path in (tmp_path / "again.pictures").iterdir()] == [b"photo"]
    code, _, err = bench("get", 1, "--out", tmp_path / "again.json")
    assert (code, "add --force" in err) == (1, True)


def test_a_pack_is_added_and_got_back_the_same(bench, tmp_path):
    pack = tmp_path / "saw.portmap.zip"
    pack_job(tmp_path / "saw.json", pack)
    assert bench("add", pack)[0] == 0
    assert bench("get", 1, "--out", tmp_path / "again.zip")[0] == 0
    assert (tmp_path / "again.zip").read_bytes() == pack.read_bytes()


def test_a_later_form_and_the_earlier_one(bench, tmp_path):
    bench("add", tmp_path / "saw.json")
    later = write_json(tmp_path / "later.json", {**read_json(tmp_path / "saw.json"), "notes": "ground"})
    _, _, err = bench("add", later)
    assert "job 1 has the same name; if this is a later form of it, use portmap archive add" in err
    code, out, _ = bench("add", later, "--as", 1, "--by", "Ann", "--why", "ground at last")
    assert (code, "Added job 1, form 2" in out) == (0, True)
    forms = json.loads(bench("show", 1, "--json")[1])["forms"]
    assert [(form["kept_by"], form["reason"]) for form in forms] == [
        (None, "added"),
        ("Ann", "ground at last"),
    ]
    assert bench("get", 1, "--form", 1, "--out", tmp_path / "first.json")[0] == 0
    assert (tmp_path / "first.json").read_bytes() == (tmp_path / "saw.json").read_bytes()


def test_the_most_similar_job_is_found_by_a_file_or_a_number(bench, tmp_path):
    other = sample()
    other["name"] = "other"
    other["maps"][0]["ports"][0]["windows"] = [{"outline_mm": box(-9, 29, 9, 38)}]
    bench("add", tmp_path / "saw.json", write_json(tmp_path / "other.json", other))
    for like in (tmp_path / "other.json", 2):
        rows = json.loads(bench("list", "--like", like, "--json")[1])["jobs"]
        assert [(row["name"], row["likeness"] == 1.0) for row in rows] == [
            ("other", True),
            (sample()["name"], False),
        ]


def test_verify_says_what_is_wrong_and_leaves_with_1(bench, place, tmp_path):
    bench("add", tmp_path / "saw.json")
    code, out, _ = bench("verify")
    assert (code, "All of it is there and unchanged." in out) == (0, True)
    next(place.pictures.glob("*/*.jpg")).unlink()
    code, out, _ = bench("verify")
    assert (code, "missing-picture" in out) == (1, True)
    code, out, _ = bench("verify", "--json")
    assert (code, json.loads(out)["sound"]) == (1, False)
    code, _, err = bench("get", 1, "--out", tmp_path / "x.json")
    assert (code, "picture is missing" in err, (tmp_path / "x.json").exists()) == (1, True, False)


def test_export_and_import(bench, tmp_path, capsys):
    bench("add", tmp_path / "saw.json")
    assert bench("export", "--out", tmp_path / "all")[:2] == (0, f"Wrote 1 job to {tmp_path / 'all'}.\n")
    assert bench("import", tmp_path / "all")[0] == 0
    (tmp_path / "all" / "bad").mkdir()
    (tmp_path / "all" / "bad" / "job.json").write_text("{")
    code, _, err = bench("import", tmp_path / "all")
    assert (code, "bad: " in err) == (1, True)
    other = ["--db", str(tmp_path / "other.db"), "--pictures", str(tmp_path / "other")]
    assert main(["archive", "import", str(tmp_path / "all"), *other]) == 1
    assert main(["archive", "verify", *other]) == 0
    capsys.readouterr()


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["show", "9"], 1, "the archive has no job 9"),
        (["get", "9", "--out", "x.json"], 1, "the archive has no job 9"),
        (["list", "--bore", "wide"], 1, "'wide' is not a range"),
        (["list", "--since", "May"], 1, "'May' is not a date"),
        (["list", "--like", "no-such.json"], 1, "there is no such file"),
        (["list", "pump", "--like", "1"], 2, "it looks for a shape alone"),
        (["add", "no-such.json"], 1, "there is no such file"),
        (["export", "--out", "no-such/folder"], 1, "no-such"),
        (["import", "no-such"], 1, "there is no such folder"),
    ],
    ids=["show", "get", "range", "day", "like", "like and words", "add", "export", "import"],
)
def test_what_is_at_fault_is_said(bench, tmp_path, monkeypatch, arguments, code, words):
    monkeypatch.chdir(tmp_path)
    bench("add", tmp_path / "saw.json")
    got, _, err = bench(*arguments)
    assert got == code
    assert words in " ".join(err.split())
    if code == 1:
        assert len(err.splitlines()) == 1


def test_nothing_is_made_by_looking_for_it(tmp_path, capsys):
    assert main(["archive", "list", "--db", str(tmp_path / "none" / "a.db")]) == 1
    assert "portmap archive add makes one" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
