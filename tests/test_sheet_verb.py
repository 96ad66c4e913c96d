"""The sheet verb: a job file in, pages out, the same bytes for the same file."""

import hashlib
import json

import pypdfium2 as pdfium
import pytest

from portmap.cli import main
from tests.sample_job import box, sample


@pytest.fixture
def job(tmp_path):
    """A job file."""
    place = tmp_path / "job.json"
    place.write_text(json.dumps({**sample(), "created": "2026-03-14"}))
    return place


def text_of(place) -> str:
    return pdfium.PdfDocument(place.read_bytes())[0].get_textpage().get_text_range()


def test_the_sheet_names_its_job_file(job, tmp_path, capsys):
    out = tmp_path / "sheet.pdf"
    assert main(["sheet", str(job), "--out", str(out), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    digest = hashlib.sha256(job.read_bytes()).hexdigest()
    assert said["job_sha256"] == digest
    assert said["sheet"] == str(out)
    assert said["rpm"] == [6000.0, 8000.0, 10000.0, 12000.0]
    text = text_of(out)
    assert digest[:12] in text
    assert "2026-03-14" in text
    assert json.loads(job.read_text())["name"] in text


READINGS = [
    {"kind": "opens", "port": "exhaust", "value": 98.4, "unit": "deg"},
    {"kind": "opens", "port": "exhaust", "value": 91.0, "unit": "deg"},
    {"kind": "squish", "value": 0.61, "unit": "mm"},
]


@pytest.mark.parametrize(("units", "squish"), [("mm", "0.100"), ("inch", "0.01000")])
def test_the_second_page_says_what_the_verbs_say(tmp_path, capsys, units, squish):
    place, out = tmp_path / "job.json", tmp_path / "sheet.pdf"
    place.write_text(json.dumps({**sample(), "readings": READINGS}))
    assert main(["sheet", str(place), "--out", str(out), "--units", units]) == 0
    capsys.readouterr()
    assert main(["fit", str(place), "--json"]) == 0
    fit = json.loads(capsys.readouterr().out)
    assert main(["compression", str(place), "--json"]) == 0
    compression = json.loads(capsys.readouterr().out)
    text = " ".join(pdfium.PdfDocument(out.read_bytes())[1].get_textpage().get_text_range().split())
    for reading in fit["readings"]:
        assert reading["words"] in text
        if reading["unit"] == "deg":
            assert f"{reading['fitted']:.2f}°" in text
    assert "does not" in text  # 91° contradicts 98.4°
    assert f"trapped ratio {compression['ratios']['trapped_ratio']:.2f}" in text
    assert f"cut base −{squish}" in text
    assert "assumed: exponent 1.2 to 1.3" in text


def test_a_long_job_takes_as_many_pages_as_it_needs(tmp_path):
    document = sample()
    document["readings"] = [
        {"kind": "opens", "port": "exhaust", "value": 98.0 + 0.01 * k, "unit": "deg"} for k in range(60)
    ]
    steps = [f"Step {number}: measure, then take a little and measure again." * 3 for number in range(25)]
    document["plan"] = {"wishes": ["squish 0.5 mm"], "operations": [], "steps": steps}
    place, out = tmp_path / "job.json", tmp_path / "sheet.pdf"
    place.write_text(json.dumps(document))
    assert main(["sheet", str(place), "--out", str(out)]) == 0
    pdf = pdfium.PdfDocument(out.read_bytes())
    texts = [page.get_textpage().get_text_range() for page in pdf]
    assert len(pdf) >= 3
    for number, text in enumerate(texts, 1):
        assert f"page {number} of {len(pdf)}" in text
    assert "Step 24" in " ".join(texts)
    assert "Which job this is" in texts[-1]
    for page in pdf:
        textpage = page.get_textpage()
        lows = [textpage.get_charbox(k)[1] for k in range(textpage.count_chars())]
        assert min(lows) > 10  # points: nothing runs off the paper


def test_the_same_job_gives_the_same_bytes(job, tmp_path):
    first, second = tmp_path / "a.pdf", tmp_path / "b.pdf"
    for out in (first, second):
        assert main(["sheet", str(job), "--out", str(out)]) == 0
    assert first.read_bytes() == second.read_bytes()


def test_speeds_units_and_paper_are_as_asked(job, tmp_path):
    out = tmp_path / "sheet.pdf"
    told = ["--rpm", "5000,7500", "--units", "inch", "--paper", "Letter"]
    assert main(["sheet", str(job), "--out", str(out), *told]) == 0
    text = text_of(out)
    assert "5 000 rpm" in text
    assert "7 500 rpm" in text
    assert "10 000 rpm" not in text
    assert "1.8110 in" in text  # 46 mm
    width, height = pdfium.PdfDocument(out.read_bytes())[0].get_size()
    assert (width / 72, height / 72) == pytest.approx((8.5, 11.0), abs=0.01)


@pytest.mark.parametrize(
    ("options", "stage", "roof"),
    [
        ([], "ground", "41.00"),
        (["--stage", "stock"], "stock", "40.00"),
        (["--stage", "proposed"], "proposed", "41.50"),
    ],
    ids=["as it is", "as it came", "as planned"],
)
def test_the_first_page_is_of_the_cylinder_as_it_is_unless_told(tmp_path, capsys, options, stage, roof):
    document = sample()
    for name, height in (("proposed", 41.5), ("ground", 41.0)):
        ports = [dict(port) for port in document["maps"][0]["ports"]]
        ports[0] = {**ports[0], "windows": [{"outline_mm": box(-14, 28, 14, height)}]}
        document["maps"].append({"stage": name, "ports": ports})
    # the reading is of the port as it came: 98.63 deg by the cosine rule at 40 mm
    document["readings"] = [{"kind": "opens", "port": "exhaust", "value": 98.6, "unit": "deg"}]
    place, out = tmp_path / "job.json", tmp_path / "sheet.pdf"
    place.write_text(json.dumps(document))
    assert main(["sheet", str(place), "--out", str(out), "--for", "bench", "--json", *options]) == 0
    assert json.loads(capsys.readouterr().out)["stage"] == stage
    text = " ".join(text_of(out).split())
    assert f"stage: {stage}" in text
    assert f"1 exhaust exhaust, crown {roof}" in text
    if not options:
        pages = pdfium.PdfDocument(out.read_bytes())
        whole = " ".join(" ".join(page.get_textpage().get_text_range() for page in pages).split())
        assert "1 exhaust opens 98.6° after TDC ± 0.50° 98.63°" in whole


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--stage", "ground"], "there is no 'ground' map"),
        (["--rpm", "0"], "is not a speed above 0"),
        (["--rpm", "1000:20000:500"], "39 speeds, but the sheet has room for 8; take a wider step"),
    ],
    ids=["stage not there", "speed 0", "too many speeds"],
)
def test_what_cannot_be_is_said_in_one_line_and_nothing_is_written(job, tmp_path, capsys, options, words):
    out = tmp_path / "sheet.pdf"
    assert main(["sheet", str(job), "--out", str(out), *options]) == 1
    said = capsys.readouterr().err.strip()
    assert words in said
    assert len(said.splitlines()) == 1
    assert not out.exists()


def test_a_sheet_in_the_way_is_kept_unless_forced(job, tmp_path, capsys):
    out = tmp_path / "sheet.pdf"
    out.write_bytes(b"mine")
    assert main(["sheet", str(job), "--out", str(out)]) == 1
    assert "the file exists" in capsys.readouterr().err
    assert out.read_bytes() == b"mine"
    assert main(["sheet", str(job), "--out", str(out), "--force"]) == 0
    assert out.read_bytes()[:5] == b"%PDF-"
