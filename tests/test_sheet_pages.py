"""The build sheet's further pages, read back as a reader of PDF sees them (pypdfium2, not our writer)."""

import functools
import hashlib
import io
import json
import os
import re
import subprocess
import sys

import cv2
import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as pdf
import pytest
import shapely

from portmap.files import read_json, write_json
from portmap.job import read_job
from portmap.job_sheet import sheet_record
from portmap.pack import job_picture_bytes
from portmap.sheet import sheet_pdf
from tests.long_job import NOTE, STEP, long_job

POINT_MM = 25.4 / 72
MARGIN_MM = 8.0  # of what a usual printer reaches, and more
HEADING_PT = 9.5
UNDER_HEADING_MM = 12.0  # what a heading is over begins no further down
SHAPE = 0.01  # of a photo's width over its height


def sheet_of(place, **options):
    reader = options.pop("reader", "all")
    record = sheet_record(
        read_job(place),
        place.read_bytes(),
        reader=reader,
        picture_bytes=lambda picture: job_picture_bytes(place, picture),
    )
    return sheet_pdf(record, **options)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return long_job(tmp_path_factory.mktemp("long"))


@pytest.fixture(scope="module")
def made(place):
    return sheet_of(place)


@functools.lru_cache(maxsize=16)
def texts(data):
    return tuple(" ".join(page.get_textpage().get_text_range().split()) for page in pdfium.PdfDocument(data))


def letters(page):
    """Boxes of all letters with ink, and the size of each [pt]."""
    words = page.get_textpage()
    boxes = np.array([words.get_charbox(k) for k in range(words.count_chars())])
    sizes = np.array([pdf.FPDFText_GetFontSize(words, k) for k in range(words.count_chars())])
    inked = (boxes[:, 2] > boxes[:, 0]) & (boxes[:, 3] > boxes[:, 1])
    return boxes[inked], sizes[inked]


def images(page):
    return [thing for thing in page.get_objects() if thing.type == pdf.FPDF_PAGEOBJ_IMAGE]


def test_a_long_job_has_all_its_notes_readings_steps_and_photos_once(made):
    found = texts(made)
    whole = " ".join(found)
    for number in range(1, 31):
        assert len(re.findall(NOTE.format(number=number)[:24].replace(":", r":"), whole)) >= 1
    for number in range(1, 13):
        assert whole.count(STEP.format(number=number)) == 1
    table = whole[whole.index("Readings and how they agree") : whole.index("figure rests on")]
    for number in range(1, 41):
        assert f" {number} exhaust opens" in table
    assert sum(len(images(page)) for page in pdfium.PdfDocument(made)) == 12
    assert 7 <= len(found) <= 12
    for number, text in enumerate(found, 1):
        assert f"page {number} of {len(found)}" in text


def test_no_heading_stands_without_what_it_is_over(made):
    for page in list(pdfium.PdfDocument(made))[1:]:
        boxes, sizes = letters(page)
        bottoms = sorted({round(box[1], 1) for box in boxes[np.isclose(sizes, HEADING_PT)]})
        tops = [box[3] for box in boxes[~np.isclose(sizes, HEADING_PT)]]
        tops += [thing.get_bounds()[3] for thing in images(page)]
        assert bottoms
        for low in bottoms:
            under = [top for top in tops if 0 < low - top < UNDER_HEADING_MM / POINT_MM]
            assert under, f"nothing under the heading at {low}"


def test_a_table_that_goes_on_has_its_head_again(made):
    going_on = [text for text in texts(made) if "What was done and noted, continued" in text]
    assert going_on
    for text in going_on:
        assert "when who what state from then on photos" in text


def check_room(data):
    """Nothing runs off a page or into its neighbour."""
    for page in pdfium.PdfDocument(data):
        width, height = page.get_size()
        boxes, _ = letters(page)
        margin = MARGIN_MM / POINT_MM
        assert boxes[:, 0].min() > margin
        assert boxes[:, 2].max() < width - margin
        assert boxes[:, 1].min() > margin
        assert boxes[:, 3].max() < height - margin
        for thing in images(page):
            left, low, right, high = thing.get_bounds()
            assert left > margin
            assert right < width - margin
            assert low > 1.5 * margin
            assert high < height - margin
        tree = shapely.STRtree([shapely.box(*box) for box in boxes])
        first, second = tree.query(tree.geometries, predicate="intersects")
        both = shapely.area(shapely.intersection(tree.geometries[first], tree.geometries[second]))
        small = np.minimum(shapely.area(tree.geometries[first]), shapely.area(tree.geometries[second]))
        clash = (first < second) & (both > 0.3 * small)
        assert not clash.any(), [tuple(boxes[k].round()) for k in first[clash][:5]]


@pytest.mark.parametrize(
    "options", [{}, {"paper": "Letter", "units": "inch"}], ids=["A4", "Letter in inches"]
)
def test_words_and_photos_keep_to_the_page_and_out_of_each_other(place, made, options):
    check_room(sheet_of(place, **options) if options else made)


def test_photos_keep_their_shape(made):
    shapes = []
    for page in pdfium.PdfDocument(made):
        for thing in images(page):
            left, low, right, high = thing.get_bounds()
            shapes.append((right - left) / (high - low))
    wide = [one for one in shapes if one > 1]
    assert len(wide) == 6
    assert wide == pytest.approx([4 / 3] * 6, rel=SHAPE)
    assert [one for one in shapes if one < 1] == pytest.approx([3 / 4] * 6, rel=SHAPE)


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("word " * 4000 + "the end", "the end"),
        ("x" * 7000, "xxxxxxxx"),
        ("<b>5 < 6 & 7</b> \x07 \u6c34 <para>", "<b>5 < 6 & 7</b> ▯ <para>"),
        ("first line\n\nsecond line", "first line second line"),
        ("", "2026-04-02"),
    ],
    ids=["20,000 letters", "one word of 7,000", "markup and control signs", "lines", "a photo alone"],
)
def test_a_note_may_be_anything(tmp_path, text, seen):
    place = long_job(tmp_path, readings=2, photos=1, notes=2, steps=2)
    document = read_json(place)
    document["log"][0]["text"] = text
    document["log"][0]["by"] = "Somebody With A Long Name, Of The Workshop By The River"
    write_json(place, document, force=True)
    data = sheet_of(place)
    assert seen in " ".join(texts(data))
    check_room(data)


@pytest.mark.parametrize("steps", range(14, 30, 4))
def test_wherever_a_table_is_broken_two_rows_stand_on_either_side(tmp_path, steps):
    place = long_job(tmp_path, readings=0, photos=0, notes=33 + steps, steps=steps)
    data = sheet_of(place, reader="customer")
    check_room(data)
    pages = [text for text in texts(data) if "What was done and noted" in text]
    assert len(pages) >= 2
    for text in pages:
        assert text.count("Note number") >= 2


@pytest.mark.parametrize(
    ("reader", "there", "not_there"),
    [
        (
            "customer",
            ["Before and after", "What was done and noted", "Photos", "Handing over", "Which job this is"],
            ["Readings and how they agree", "Step number 1", "To write on at the bench"],
        ),
        (
            "bench",
            ["Before and after", "Step number 1", "Readings and how they agree", "To write on at the bench"],
            ["Handing over"],
        ),
        ("all", ["Readings and how they agree", "Handing over", "To write on at the bench"], []),
    ],
)
def test_each_reader_has_his_own(place, reader, there, not_there):
    text = " ".join(texts(sheet_of(place, reader=reader)))
    assert [words for words in there if words not in text] == []
    assert [words for words in not_there if words in text] == []


def test_before_and_after_are_those_that_compare_says(place, made, capsys):
    from portmap.cli import main

    asked = ["compare", str(place), "--stages", "stock,ground", "--rpm", "10000", "--json"]
    assert main(asked) == 0
    said = json.loads(capsys.readouterr().out)
    text = " ".join(texts(made))
    for port in said["ports"]:
        opens = port["opens_deg"]
        if opens is not None and abs(opens["change"]) > 0.01:
            assert f"{port['id']} opens, deg {opens['a']:.2f}" in text
            assert f"{opens['b']:.2f} {opens['change']:+.2f}".replace("-", "−") in text


def test_a_phone_reads_the_jobs_hash(place, made):
    # ISO/IEC 18004, by OpenCV's reader: the code was made by another library
    document = pdfium.PdfDocument(made)
    bitmap = document[len(document) - 1].render(scale=3.0).to_numpy()
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(np.ascontiguousarray(bitmap[:, :, :3]))
    assert text == f"sha256:{hashlib.sha256(place.read_bytes()).hexdigest()}"


def test_the_bytes_depend_neither_on_the_day_nor_on_the_process(place, made):
    code = (
        "import hashlib, sys; from pathlib import Path; sys.path.insert(0, '.');"
        "from tests.test_sheet_pages import sheet_of;"
        "print(hashlib.sha256(sheet_of(Path(sys.argv[1]))).hexdigest())"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(place)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo"},
    )
    assert run.stdout.strip() == hashlib.sha256(made).hexdigest()


def test_warnings_that_the_first_page_has_no_room_for_follow_in_full(tmp_path):
    place = long_job(tmp_path, readings=1, photos=0, notes=1)
    document = read_json(place)
    document["warnings"] = [
        {"code": f"w{number}", "message": f"Warning {number}: " + "on and on. " * 40 + f"End {number}."}
        for number in range(9)
    ]
    write_json(place, document, force=True)
    data = sheet_of(place)
    text = " ".join(texts(data)[1:])
    assert all(f"End {number}." in text for number in range(9))
    check_room(data)


def test_a_picture_that_is_gone_or_no_photo_is_named_in_its_place(tmp_path):
    place = long_job(tmp_path, readings=0, photos=3, notes=3)
    names = [entry["pictures"][0] for entry in read_json(place)["log"]]
    folder = place.with_suffix(".pictures")
    (folder / f"{names[0]['sha256']}.jpg").unlink()
    film = b"\x00\x00\x00\x18ftypmp42 no photo"
    document = read_json(place)
    document["log"][1]["pictures"][0] |= {
        "name": "turn.mp4",
        "sha256": hashlib.sha256(film).hexdigest(),
        "size_bytes": len(film),
    }
    (folder / f"{hashlib.sha256(film).hexdigest()}.mp4").write_bytes(film)
    write_json(place, document, force=True)
    data = sheet_of(place)
    text = " ".join(texts(data))
    assert text.count("cannot be shown") == 2
    assert "is not there" in text
    assert "turn.mp4" in text
    assert "not a picture that can be read" in text
    assert sum(len(images(page)) for page in pdfium.PdfDocument(data)) == 1


def test_pages_can_be_opened_by_another_reader(made):
    # every page renders, and the first is what it always was
    document = pdfium.PdfDocument(io.BytesIO(made))
    assert all(page.render(scale=0.3).to_numpy().min() < 100 for page in document)
    assert "engine basis" in texts(made)[0]
