"""Readings as a table, CSV: out of a job, into a spreadsheet, and back the same.

The first line names the columns; they may stand in any order, and of those a reading has no use for may be
left out. Fields are separated by commas, semicolons or tabs, whichever the first line has; where it is not
commas, a number may have a decimal comma. Numbers are in the reading's own unit (deg, mm, cm3, bar), several
places with spaces between, and ``doubt`` is a standard uncertainty (k = 1).

A text that a spreadsheet would take for a formula is written with an apostrophe before it, which is taken off
again on reading.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from pydantic import ValidationError

from portmap.errors import JobError, PortmapError
from portmap.job_faults import nearest, quoted
from portmap.job_schema import ReadingEntry
from portmap.port import PortEdges
from portmap.reading_kinds import READING_KINDS
from portmap.readings import Reading, checked_reading, entry_of_reading, reading_of_entry

__all__ = ["COLUMNS", "LIMIT_BYTES", "read_reading_table", "reading_csv", "readings_of_csv"]

LIMIT_BYTES = 4 * 1024 * 1024
LIMIT_ROWS = 10_000  # as many as a job takes

COLUMNS = (
    "kind",
    "port",
    "value",
    "unit",
    "at_deg",
    "gasket_mm",
    "places_mm",
    "tool",
    "times",
    "doubt",
    "date",
    "altitude_m",
    "temperature_c",
    "note",
)
NEEDED = ("kind", "value", "unit")
NUMBERS = ("value", "at_deg", "gasket_mm", "doubt", "altitude_m", "temperature_c")
TEXTS = ("port", "tool", "date", "note")
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "'")


def reading_csv(readings: Iterable[Reading]) -> str:
    r"""Return readings as CSV.

    Parameters
    ----------
    readings : iterable of Reading

    Returns
    -------
    str
        With a heading, lines ended by CR LF as RFC 4180 has it.

    Examples
    --------
    >>> print(reading_csv([Reading(kind="opens", port="exhaust", value=104.0)]).splitlines()[1])
    opens,exhaust,104.0,deg,,,,,1,,,,,
    """
    page = io.StringIO()
    writer = csv.writer(page)
    writer.writerow(COLUMNS)
    for reading in readings:
        entry = entry_of_reading(reading)
        writer.writerow([_cell(name, getattr(entry, name)) for name in COLUMNS])
    return page.getvalue()


def _cell(name: str, value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, tuple):
        return " ".join(repr(float(item)) for item in value)
    if isinstance(value, str):
        return f"'{value}" if name in TEXTS and value.startswith(FORMULA_SIGNS) else value
    return repr(value)


def read_reading_table(
    path: Path | str, ports: Mapping[str, PortEdges], *, new_ports: bool = False
) -> tuple[Reading, ...]:
    """Return the readings in a CSV file.

    Parameters
    ----------
    path : Path or str
        At most 4 MiB and 10,000 lines.
    ports : mapping of str to PortEdges
        The ports that they may name.
    new_ports : bool, optional
        As in `portmap.readings.checked_reading`.

    Returns
    -------
    tuple of Reading

    Raises
    ------
    JobError
        If the file cannot be read, or with every fault in it, each with its line and column.

    Examples
    --------
    >>> read_reading_table("no-such.csv", {})
    Traceback (most recent call last):
    portmap.errors.JobError: no-such.csv: there is no such file; check the name
    """
    place = Path(path)
    try:
        with place.open("rb") as stream:
            raw = stream.read(LIMIT_BYTES + 1)
    except FileNotFoundError:
        raise JobError("there is no such file", where=str(place), remedy="check the name") from None
    except OSError as error:
        raise JobError(
            f"cannot be read ({error.strerror or error})", where=str(place), remedy="name a file you may read"
        ) from error
    if len(raw) > LIMIT_BYTES:
        raise JobError(
            "the file is larger than 4 MiB", where=str(place), remedy="this is no table of readings"
        )
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise JobError(
            "not a text file in UTF-8", where=str(place), remedy="save it as CSV in UTF-8"
        ) from None
    try:
        return readings_of_csv(text, ports, new_ports=new_ports)
    except JobError as error:
        raise JobError.of(
            tuple(
                JobError(fault.message, where=f"{place}, {fault.where}", remedy=fault.remedy)
                for fault in error.faults or (error,)
            )
        ) from None


def readings_of_csv(
    text: str, ports: Mapping[str, PortEdges], *, new_ports: bool = False
) -> tuple[Reading, ...]:
    r"""Return the readings in CSV text.

    Parameters
    ----------
    text : str
    ports : mapping of str to PortEdges
    new_ports : bool, optional
        As in `read_reading_table`.

    Returns
    -------
    tuple of Reading

    Raises
    ------
    JobError
        With every fault, each with its line and column.

    Examples
    --------
    >>> readings_of_csv("kind;value;unit\nsquish;0,58;mm\n", {})[0].value
    0.58
    >>> readings_of_csv("kind,value,unit\nsquish,0.58,deg\n", {})
    Traceback (most recent call last):
    portmap.errors.JobError: line 2, column unit: squish is read in mm, not in degrees; give it in mm
    """
    delimiter = _delimiter(text)
    rows = _rows(text, delimiter)
    if not rows:
        raise JobError("the table is empty", where="line 1", remedy=f"begin with {','.join(COLUMNS)}")
    (line, head), *body = rows
    columns = [cell.strip().casefold() for cell in head]
    faults: list[PortmapError] = [*_head_faults(columns, line)]
    if faults:
        raise JobError.of(tuple(faults))
    if len(body) > LIMIT_ROWS:
        raise JobError(
            f"the table has {len(body):,} readings, more than {LIMIT_ROWS:,}",
            where="line 1",
            remedy="split it",
        )
    found = []
    for line, cells in body:
        try:
            found.append(_reading(columns, cells, delimiter, ports, new_ports=new_ports))
        except PortmapError as error:
            column = f", column {error.where}" if error.where else ""
            faults.append(JobError(error.message, where=f"line {line}{column}", remedy=error.remedy))
    if faults:
        raise JobError.of(tuple(faults))
    return tuple(found)


def _delimiter(text: str) -> str:
    first = text.lstrip("\r\n ").splitlines()[:1]
    counts = {sign: first[0].count(sign) if first else 0 for sign in (";", "\t", ",")}
    return max(counts, key=lambda sign: counts[sign]) if any(counts.values()) else ","


def _rows(text: str, delimiter: str) -> list[tuple[int, list[str]]]:
    """Return the lines that hold anything, each with its number."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[tuple[int, list[str]]] = []
    begun = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((begun, cells))
            begun = reader.line_num + 1
    except csv.Error as error:
        raise JobError(
            f"not a table ({error})", where=f"line {begun}", remedy="save it as CSV again"
        ) from None
    return rows


def _head_faults(columns: Sequence[str], line: int) -> Iterable[PortmapError]:
    for number, name in enumerate(columns):
        if name not in COLUMNS:
            near = nearest(name, COLUMNS)
            yield JobError(
                f"{quoted(name)} is not a column of readings",
                where=f"line {line}, column {number + 1}",
                remedy=f"did you mean {near}?" if near else f"the columns are {', '.join(COLUMNS)}",
            )
        elif name in columns[:number]:
            yield JobError(
                f"{name} stands twice", where=f"line {line}, column {number + 1}", remedy="keep one"
            )
    for name in NEEDED:
        if name not in columns:
            yield JobError(f"the column {name} is missing", where=f"line {line}", remedy="add it")


def _reading(
    columns: Sequence[str],
    cells: Sequence[str],
    delimiter: str,
    ports: Mapping[str, PortEdges],
    *,
    new_ports: bool,
) -> Reading:
    if len(cells) > len(columns) and any(cell.strip() for cell in cells[len(columns) :]):
        raise JobError(
            f"it has {len(cells)} fields, and the heading {len(columns)}",
            remedy="put a text that holds the separator in quotes",
        )
    given = {name: cell for name, cell in zip(columns, cells, strict=False) if cell.strip()}
    for name in NEEDED:
        if name not in given:
            raise JobError("is empty", where=name, remedy="fill it in")
    kind = given["kind"].strip()
    if kind not in READING_KINDS:
        near = nearest(kind, [*READING_KINDS])
        raise JobError(
            f"{quoted(kind)} is not a kind of reading",
            where="kind",
            remedy=f"did you mean {near}?" if near else f"the kinds are {', '.join(READING_KINDS)}",
        )
    fields: dict[str, object] = {"kind": kind, "unit": given["unit"].strip()}
    fields |= {name: _number(given[name], name, delimiter) for name in NUMBERS if name in given}
    fields |= {name: given[name].strip().removeprefix("'") for name in TEXTS if name in given}
    if "note" in given:
        fields["note"] = given["note"].removeprefix("'")  # its own spaces stay
    if "times" in given:
        times = _number(given["times"], "times", delimiter)
        if times != int(times):
            raise JobError(f"{times:g} is not a count", where="times", remedy="give a whole number")
        fields["times"] = int(times)
    if "places_mm" in given:
        parts = given["places_mm"].split()
        fields["places_mm"] = tuple(_number(part, "places_mm", delimiter) for part in parts)
    try:
        entry = ReadingEntry.model_validate(fields)
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        name = str(fault["loc"][0]) if fault["loc"] else ""
        raise JobError(
            f"{quoted(given.get(name, ''))} makes no sense here ({fault['msg'].lower()})",
            where=name,
            remedy="mend it",
        ) from None
    return checked_reading(reading_of_entry(entry), ports, new_ports=new_ports)


def _number(text: str, name: str, delimiter: str) -> float:
    typed = text.strip().replace("−", "-")
    if delimiter != ",":
        typed = typed.replace(",", ".")
    try:
        value = float(typed) if "_" not in typed else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise JobError(f"{quoted(text.strip())} is not a number", where=name, remedy="write it like 104.5")
    return value
