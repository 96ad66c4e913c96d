"""The summary of a batch as a table: CSV for a spreadsheet, Parquet for a program.

One row for each window or port of an item, or for each plan; an item that failed has one row with its error.
Names of columns end in the unit, ``_u`` marks a standard uncertainty, an empty cell is a figure that nobody
knows.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from portmap.errors import Notice

__all__ = ["AREA_COLUMNS", "PLAN_COLUMNS", "summary_csv", "summary_parquet"]

Columns = Mapping[str, type]

AREA_COLUMNS: Columns = {
    "item": str,
    "kind": str,
    "status": str,
    "error": str,
    "port": str,
    "port_kind": str,
    "windows": int,
    "wall_area_mm2": float,
    "wall_area_u_mm2": float,
    "chord_area_mm2": float,
    "directed_area_mm2": float,
    "roof_mm": float,
    "roof_u_mm": float,
    "floor_mm": float,
    "floor_u_mm": float,
    "width_mm": float,
    "mm_per_px": float,
    "residual_mm": float,
    "warnings": str,
}
PLAN_COLUMNS: Columns = {
    "item": str,
    "kind": str,
    "status": str,
    "error": str,
    "case": str,
    "wanted": float,
    "reached": float,
    "possible": bool,
    "misses": str,
    "work": str,
    "needs": str,
    "chance": float,
    "setups": int,
    "metal_mm": float,
    "base_gasket_mm": float,
    "squish_mm": float,
    "blowdown_deg": float,
    "head_volume_cm3": float,
    "trapped_ratio": float,
    "geometric_ratio": float,
    "cranking_low_bar": float,
    "cranking_high_bar": float,
    "warnings": str,
}


def summary_csv(rows: Iterable[Mapping[str, Any]], columns: Columns) -> bytes:
    r"""Return the rows as CSV.

    Parameters
    ----------
    rows : iterable of mapping
    columns : mapping of str to type
        Names in order, with what they hold; what a row has besides is left away.

    Returns
    -------
    bytes
        UTF-8 with a head row. Figures in full, so that reading gives back what was written.

    Examples
    --------
    >>> summary_csv([{"item": "a.jpg", "roof_mm": 40.1}, {"item": "b.jpg"}], {"item": str, "roof_mm": float})
    b'item,roof_mm\na.jpg,40.1\nb.jpg,\n'
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(row.get(name)) for name in columns] for row in rows)
    return text.getvalue().encode()


def summary_parquet(
    rows: Sequence[Mapping[str, Any]], columns: Columns
) -> tuple[bytes | None, tuple[Notice, ...]]:
    """Return the rows as a Parquet file, if pyarrow is installed.

    Parameters
    ----------
    rows : sequence of mapping
    columns : mapping of str to type
        As `summary_csv`.

    Returns
    -------
    bytes or None
        None without pyarrow.
    tuple of Notice
        Which says so.

    Examples
    --------
    >>> found, notices = summary_parquet([{"item": "a.jpg"}], {"item": str})
    >>> found is None or found[:4] == b"PAR1"
    True
    """
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        message = "No Parquet file was written, as pyarrow is not installed: pip install pyarrow."
        return None, (Notice(code="no-parquet", message=message),)
    kinds = {str: pyarrow.string(), int: pyarrow.int64(), float: pyarrow.float64(), bool: pyarrow.bool_()}
    arrays = [
        pyarrow.array([row.get(name) for row in rows], type=kinds[kind]) for name, kind in columns.items()
    ]
    stream = io.BytesIO()
    parquet.write_table(pyarrow.Table.from_arrays(arrays, names=list(columns)), stream)
    return stream.getvalue(), ()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return repr(value) if isinstance(value, float) else str(value)
