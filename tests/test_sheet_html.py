"""The build sheet for a browser: one file, whole, safe, with the figures of the one on paper."""

import hashlib
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser

import pytest

from portmap.cli import main
from portmap.job import read_job
from portmap.job_sheet import sheet_record
from portmap.pack import job_picture_bytes
from portmap.sheet_html import sheet_html
from portmap.sheet_rows import engine_rows, port_rows
from portmap.shown import unit_system
from portmap.timearea import map_spans
from tests.long_job import NOTE, STEP, long_job
from tests.test_sheet import RECORD

VOID = {"meta", "img", "br"}  # HTML's elements without an end (WHATWG, 13.1.2) that are used


class Read(HTMLParser):
    """What a file holds: text, attributes, and whether every element is closed in its turn."""

    def __init__(self, text):
        super().__init__()
        self.open, self.text, self.attributes, self.tags = [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] != "style":
            self.text.append(data)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return long_job(tmp_path_factory.mktemp("long"))


def html_of(place, **options):
    record = sheet_record(
        read_job(place),
        place.read_bytes(),
        picture_bytes=lambda picture: job_picture_bytes(place, picture),
    )
    return sheet_html(record, **options).decode()


@pytest.fixture(scope="module")
def made(place):
    return html_of(place)


def test_it_is_whole_and_closed(made):
    read = Read(made)
    assert read.open == []
    assert read.tags.count("img") == 12
    text = " ".join(" ".join(read.text).split())
    for number in range(1, 31):
        assert NOTE.format(number=number) in text
    for number in range(1, 13):
        assert STEP.format(number=number) in text
    for words in ("Before and after", "Readings and how they agree", "To write on at the bench", "Care:"):
        assert words in text


def test_nothing_is_loaded_from_anywhere_and_nothing_runs(made):
    read = Read(made)
    assert not {"script", "link", "iframe", "object", "embed", "form"} & set(read.tags)
    for tag, name, value in read.attributes:
        assert not name.startswith("on")
        if name in ("src", "href", "xlink:href", "srcset", "action", "data"):
            assert (tag, name) == ("img", "src")
            assert value.startswith("data:image/jpeg;base64,")
    assert "url(" not in made
    assert "@import" not in made
    rule = next(value for tag, name, value in read.attributes if value and "default-src" in value)
    assert "default-src 'none'" in rule


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_its_figures_are_those_of_the_sheet_on_paper(units):
    text = unescape(re.sub(r"<[^>]+>", "\n", sheet_html(RECORD, units=units).decode()))
    cells = set(text.split("\n"))
    system = unit_system(units)
    spans, _ = map_spans(RECORD.engine, RECORD.port_map)
    rows = port_rows(RECORD.engine, RECORD.port_map, spans, system) + engine_rows(RECORD.engine, system)
    for row in rows:
        for cell in row:
            assert set(cell.split("\n")) - {""} <= cells


def test_drawings_are_sound_svg(made):
    drawings = re.findall(r"<svg.*?</svg>", made, re.S)
    assert len(drawings) == 5  # wall and plot, both again before and after, the code
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)  # noqa: S314 - our own file
        _, _, width, height = (float(part) for part in root.attrib["viewBox"].split())
        for text in root.iter("{http://www.w3.org/2000/svg}text"):
            assert -0.5 <= float(text.attrib["x"]) <= width + 0.5
            assert -0.5 <= float(text.attrib["y"]) <= height + 0.5


@pytest.mark.parametrize(
    "name", ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "a & b \x00 \x1b", "&lt;b&gt;"]
)
def test_what_a_person_wrote_is_no_markup(name):
    made = sheet_html(replace(RECORD, name=name)).decode()
    read = Read(made)
    assert "script" not in read.tags
    assert not any(attribute.startswith("on") for _, attribute, _ in read.attributes)
    shown = "".join(sign if sign.isprintable() else " " for sign in name)
    assert shown in read.text
    assert "\x00" not in made


def test_the_bytes_depend_neither_on_the_day_nor_on_the_process(place, made):
    code = (
        "import hashlib, sys; from pathlib import Path; sys.path.insert(0, '.');"
        "from tests.test_sheet_html import html_of;"
        "print(hashlib.sha256(html_of(Path(sys.argv[1])).encode()).hexdigest())"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(place)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo"},
    )
    assert run.stdout.strip() == hashlib.sha256(made.encode()).hexdigest()


def test_the_verb_writes_it_by_the_files_ending(place, tmp_path, capsys):
    out = tmp_path / "sheet.HTML"
    assert main(["sheet", str(place), "--out", str(out), "--for", "customer"]) == 0
    assert "one file for any browser" in capsys.readouterr().out
    text = out.read_text()
    assert text.startswith("<!doctype html>")
    assert "Handing over" in text
    assert "Readings and how they agree" not in text
