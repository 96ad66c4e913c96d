"""The words round a 1:1 sheet: what it is, how to use it, what to take care of."""

from __future__ import annotations

from portmap.errors import Notice
from portmap.page import fitted, printable, text_width_mm
from portmap.template_lay import Lay, TemplateRecord, sheet_x_factor

__all__ = ["CARE", "fact_lines", "gauge_notes", "strip_notes", "wrapped"]

CARE = (
    "Care, in general: wear eye protection and a dust mask while grinding: dust of aluminium, nickel and"
    " silicon carbide harms lungs and fine aluminium burns. Chamfer every plating edge. A wide or flat roof,"
    " a sharp corner or a bridge can snag the ring. Stop before walls and passages get thin; measure between"
    " cuts. Clamp lathe work on the bore. New timing can move peak speed past what crank and rod stand"
    " (overspeed). Emissions rules and local codes apply, and licensed practice decides. This sheet is a"
    " guide, never permission.",
)
MEASURE = (
    "Print at 100 %, nothing fitted or scaled; then measure both bars: 100.0 mm. If not, don't use this"
    " print."
)
_MOST_NOTICES, _MOST_LETTERS = 3, 200


def wrapped(text: str, width_mm: float, size_pt: float) -> list[str]:
    """Return a text in lines that fit a width.

    Parameters
    ----------
    text : str
    width_mm : float
        [mm].
    size_pt : float
        Letter size [pt].

    Returns
    -------
    list of str
        A word wider than the width is cut short.

    Examples
    --------
    >>> wrapped("chamfer every plating edge", 20.0, 6.0)
    ['chamfer every', 'plating edge']
    """
    lines: list[str] = []
    for word in printable(text).split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width_mm(longer, size_pt) <= width_mm:
            lines[-1] = longer
        else:
            lines.append(fitted(word, width_mm, size_pt, least_pt=size_pt)[0])
    return lines


def fact_lines(record: TemplateRecord, lay: Lay | None) -> tuple[str, str]:
    """Return what a sheet is about, in two lines.

    Parameters
    ----------
    record : TemplateRecord
    lay : Lay or None
        None for a flat gauge.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> fact_lines(TemplateRecord(name="saw", engine=engine, port_maps=()), Lay())[1]
    'bore 46.00 mm; paper 0.10 mm: x is drawn at 0.99783 of its length on the wall, heights as they are'
    """
    bore = record.engine.bore_mm
    file = f"; job file {record.file_sha256[:12]}" if record.file_sha256 else ""
    stages = ", ".join(port_map.stage for port_map in record.port_maps)
    about = f"stage: {stages}; date of the job: {record.date or 'not noted'}{file}"
    if lay is None:
        return (
            f"Flat gauge, seen from the bore axis; {about}",
            f"bore {bore:.2f} mm; x is the chord, R·sin of the angle from the window's own middle",
        )
    shrink = (
        f"x is drawn at {abs(sheet_x_factor(bore, lay)):.5f} of its length on the wall, heights as they are"
    )
    paper = f"paper {lay.paper_thickness_mm:.2f} mm: {shrink}"
    if lay.side == "inside":
        return f"Print faces the bore axis; {about}", f"bore {bore:.2f} mm; {paper}"
    over = f"outside diameter {lay.outside_diameter_mm:.2f} mm"
    return (
        f"Goes round the outside of the liner, print faces out; {about}",
        f"bore {bore:.2f} mm, {over}; {paper}",
    )


def strip_notes(record: TemplateRecord, lay: Lay, *, tiles: bool) -> tuple[str, ...]:
    """Return how to use a sheet that goes round the wall, and the cautions.

    Parameters
    ----------
    record : TemplateRecord
    lay : Lay
    tiles : bool
        Whether it comes in several pages.

    Returns
    -------
    tuple of str
        Paragraphs.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> strip_notes(TemplateRecord(name="saw", engine=engine, port_maps=()), Lay(), tiles=False)[0][:9]
    '1  Cut al'
    """
    edge = "lower edge flush with the base face" if lay.datum == "base" else "upper edge flush with the deck"
    if lay.datum == "base" and _goes_below_base(record):
        edge = "heavy datum line at the base face"
    joined = (
        "Join the pages first: cut one of two neighbours along the grey join line, lay it on the other,"
        " cross on cross, and tape. "
        if tiles
        else ""
    )
    if lay.side == "inside":
        roll = (
            f"2  Roll it into the bore, head up, print facing the bore axis: {edge}, exhaust centre line on"
            " the exhaust's middle, the left edge over the tab up to its line."
        )
        sides = (
            "3  Left and right are as seen from the bore axis. With the print against the wall everything"
            " would be mirrored."
        )
    else:
        roll = (
            f"2  Wrap it round the liner, head up, print facing out: {edge}, exhaust centre line on the"
            " exhaust's middle, the left edge over the tab up to its line."
        )
        sides = (
            "3  Left and right are as seen from the bore axis, so that right stands on the left of this"
            " sheet: read from outside, the wall is mirrored."
        )
    return (
        f"1  {joined}Cut along the heavy outline.",
        roll,
        sides,
        "4  Paper of another thickness needs another sheet. The bars are at true size; the wall's x is not."
        " ± is k = 2 (about 95 %), from the outlines alone. Check each mark with a height gauge.",
        *_assumed(record),
        *_warnings(record.notices),
        *CARE,
    )


def gauge_notes(record: TemplateRecord, lay: Lay) -> tuple[str, ...]:
    """Return how to use a flat gauge, and the cautions.

    Parameters
    ----------
    record : TemplateRecord
    lay : Lay

    Returns
    -------
    tuple of str
        Paragraphs.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> gauge_notes(TemplateRecord(name="saw", engine=engine, port_maps=()), Lay())[0][:10]
    '1  Glue it'
    """
    edge = ("lower edge", "base face") if lay.datum == "base" else ("upper edge", "deck")
    return (
        "1  Glue it on thin card or shim, cut along the heavy outline, and cut the window out along the line"
        " of the stage you check.",
        "2  Hold it flat across the window, square to the line from the bore axis to the window's middle,"
        f" print facing the axis, {edge[0]} level with the {edge[1]}: looked at square, both agree.",
        "3  Widths are chords, not lengths along the wall: don't lay this gauge round the bore. Both figures"
        " stand on it. Heights are as on the wall.",
        *_warnings(record.notices),
        *CARE,
    )


def _goes_below_base(record: TemplateRecord) -> bool:
    return any(
        window.outline.bounds[1] < 0
        for port_map in record.port_maps
        for port in port_map.ports
        for window in port.windows
    )


def _assumed(record: TemplateRecord) -> list[str]:
    """Return what the degrees and the crown's heights lean on though nobody measured it."""
    engine = record.engine
    lines = []
    for how, figures in (
        ("Nobody measured, so assumed", engine.assumed),
        ("Fitted from readings", engine.fitted),
    ):
        if figures:
            lines.append(f"! {how}: {'; '.join(figures)}: degrees and the crown's heights lean on it.")
    return lines


def _warnings(notices: tuple[Notice, ...]) -> list[str]:
    """Return the first warnings, and how many more there are."""
    lines = []
    for notice in notices[:_MOST_NOTICES]:
        shown = printable(notice.message)
        lines.append(f"! {shown if len(shown) <= _MOST_LETTERS else shown[: _MOST_LETTERS - 1] + '…'}")
    if len(notices) > _MOST_NOTICES:
        lines.append(f"! and {len(notices) - _MOST_NOTICES} more warnings: see the job file.")
    return lines
