"""Readings as CSV: the same again, as spreadsheets write it, and each fault with its line and column."""

import csv
import io

import pytest
from hypothesis import given, settings

from portmap.errors import JobError
from portmap.reading_table import COLUMNS, LIMIT_BYTES, read_reading_table, reading_csv, readings_of_csv
from portmap.readings import Reading
from tests.test_reading_words import PORTS, readings


@given(readings())
@settings(max_examples=100)
def test_what_is_written_is_read_back_the_same(reading):
    """Readings, to a table and back, are the same."""
    assert readings_of_csv(reading_csv([reading]), PORTS) == (reading,)


@pytest.mark.parametrize(
    "note",
    ["=1+1", "+49", "-", "@x", "'quoted", "a;b,c\t", 'say "so"', "two\nlines", " spaces kept "],
)
def test_awkward_notes_survive(note):
    reading = Reading(kind="squish", value=0.58, note=note)
    text = reading_csv([reading])
    assert readings_of_csv(text, {}) == (reading,)
    cell = next(csv.DictReader(io.StringIO(text, newline="")))["note"]
    assert not cell.startswith(("=", "+", "-", "@"))  # nothing that a spreadsheet would run


def test_python_csv_reads_what_is_written():
    """RFC 4180 by another reader: the csv module of Python's standard library."""
    text = reading_csv([Reading(kind="opens", port="exhaust", value=104.25, gasket_mm=0.5, times=3)])
    row = next(csv.DictReader(io.StringIO(text, newline="")))
    assert tuple(row) == COLUMNS
    assert (row["kind"], row["port"], float(row["value"]), row["times"]) == ("opens", "exhaust", 104.25, "3")
    assert text.endswith("\r\n")


@pytest.mark.parametrize(
    "text",
    [
        "kind,port,value,unit,gasket_mm\nopens,exhaust,104.5,deg,0.5\n",
        "kind;port;value;unit;gasket_mm\r\nopens;exhaust;104,5;deg;0,5\r\n",
        "kind\tport\tvalue\tunit\tgasket_mm\nopens\texhaust\t104,5\tdeg\t0,5",
        "Kind , PORT, value,unit,gasket_mm\n\nopens, exhaust, 104.5,deg,0.5\n,,,,\n",
        "unit,value,kind,port,note,gasket_mm\ndeg,1.045e2,opens,exhaust,,0.5\n",
        'kind;port;value;unit;gasket_mm\n"opens";"exhaust";"104.5";"deg";"0.5"\n',
    ],
    ids=["commas", "semicolons", "tabs", "spaces and empty lines", "other order", "quotes"],
)
def test_as_spreadsheets_write_it(text):
    wanted = Reading(kind="opens", port="exhaust", value=104.5, gasket_mm=0.5)
    assert readings_of_csv(text, PORTS) == (wanted,)


HEAD = "kind,port,value,unit,times,at_deg,tool\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "line 1: the table is empty"),
        ("\n\n", "line 1: the table is empty"),
        ("kind,value\nsquish,0.5\n", "line 1: the column unit is missing"),
        ("kind,value,unti,unit\n", "line 1, column 3: 'unti' is not a column of readings; did you mean unit"),
        ("kind,value,unit,unit\n", "line 1, column 4: unit stands twice"),
        (f"{HEAD}squish,,0.6,deg,,,\n", "line 2, column unit: squish is read in mm, not in degrees"),
        (f"{HEAD}squish,,0.6,inch,,,\n", "line 2, column unit: 'inch' makes no sense here"),
        (f"{HEAD}squish,,,mm,,,\n", "line 2, column value: is empty"),
        (f"{HEAD}squish,,abc,mm,,,\n", "line 2, column value: 'abc' is not a number"),
        (f"{HEAD}squish,,nan,mm,,,\n", "line 2, column value: 'nan' is not a number"),
        (f"{HEAD}squish,,1_0,mm,,,\n", "line 2, column value: '1_0' is not a number"),
        (f"{HEAD}squich,,0.6,mm,,,\n", "line 2, column kind: 'squich' is not a kind.*did you mean squish"),
        (f"{HEAD}squish,,0.6,mm,1.5,,\n", "line 2, column times: 1.5 is not a count"),
        (f"{HEAD}squish,,0.6,mm,0,,\n", "line 2, column times: '0' makes no sense"),
        (f"{HEAD}opens,boost,104,deg,,,\n", "line 2, column port: there is no port 'boost'; the job has"),
        (
            f"{HEAD}squish,,0.6,mm,,,soldr\n",
            "line 2, column tool: 'soldr' is not a tool",
        ),
        (f"{HEAD}squish,,0.6,mm,,,,,x\n", "line 2: it has 9 fields, and the heading 7"),
        (f'{HEAD}squish,,"0.6,mm\n', "line 2: not a table"),
        (f"{HEAD}\n\nsquish,,0.6,deg,,,\n", "line 4, column unit"),
    ],
)
def test_faults_name_line_and_column(text, message):
    with pytest.raises(JobError, match=message):
        readings_of_csv(text, PORTS)


def test_all_faults_are_told_at_once():
    with pytest.raises(JobError) as caught:
        readings_of_csv(f"{HEAD}squish,,x,mm,,,\nbore,,46,mm,,,\nsquish,,0.6,bar,,,\n", PORTS)
    assert [line.split(":")[0] for line in str(caught.value).splitlines()] == [
        "line 2, column value",
        "line 4, column unit",
    ]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\xff\xfe\x00k", "not a text file in UTF-8"),
        (b"x" * (LIMIT_BYTES + 1), "larger than 4 MiB"),
        (b"kind,value,unit\nsquish,0.6,bar\n", r"t\.csv, line 2, column unit: squish is read in mm"),
        (b"kind,value,unit\n" + b"squish,0.6,mm\n" * 10_001, "more than 10,000"),
    ],
    ids=["not text", "too large", "fault", "too many"],
)
def test_files_that_are_no_table(tmp_path, content, message):
    path = tmp_path / "t.csv"
    path.write_bytes(content)
    with pytest.raises(JobError, match=message):
        read_reading_table(path, PORTS)


def test_a_byte_order_mark_is_forgiven(tmp_path):
    path = tmp_path / "t.csv"
    path.write_bytes("\ufeffkind;value;unit\nsquish;0,6;mm\n".encode())
    assert read_reading_table(path, {})[0].value == 0.6


def test_a_folder_is_no_table(tmp_path):
    with pytest.raises(JobError, match="cannot be read"):
        read_reading_table(tmp_path, {})
