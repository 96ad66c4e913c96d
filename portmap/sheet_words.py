"""The words on a build sheet: what the figures mean, what is doubtful, what to take care of."""

from __future__ import annotations

from typing import Any
from xml.sax.saxutils import escape

from portmap.engine import Engine
from portmap.errors import Notice
from portmap.page import REGULAR, printable
from portmap.port import PortMap
from portmap.sheet_rows import MARKS
from portmap.sheet_tables import ROOMY, Density
from portmap.stated_spread import doubt_covers

__all__ = [
    "CARE",
    "CARE_HEADING",
    "NOTES_HEADING",
    "all_told",
    "care_words",
    "note_lines",
    "note_words",
]

MOST_LETTERS = 220  # of one line of warning
NOTES_HEADING = "Warnings and notes"
CARE_HEADING = "Care: general cautions, not advice on your case"

# Where the figures were seen: NIOSH's page of the 1989 OSHA limits on aluminium (7429-90-5), OSHA's on nickel
# (CH 256200), NIOSH's manual of analytical methods, ch. R (silica), Directive 2002/44/EC (vibration).
CARE = (
    "<b>Eyes:</b> impact-rated glasses (ANSI Z87.1 or EN 166) under a visor while grinding.",
    "<b>Breathing:</b> filter mask, dust caught at the tool, no dry sweeping. Limits over 8 h: aluminium dust"
    " 5 mg/m³ respirable (OSHA, 1989 text); nickel, as in plating, 0.015 mg/m³ (NIOSH; can cause cancer and"
    " allergy); crystalline silica 0.05 mg/m³ (NIOSH). Nickel–silicon-carbide plating: take it as nickel."
    " Fine aluminium dust burns.",
    "<b>Hands:</b> vibration over 8 h: act from 2.5 m/s², limit 5 m/s² (2002/44/EC).",
    "<b>Cylinder:</b> chamfer every plating edge, all round; a wide or flat roof or a bridge can snag the"
    " ring; stop before walls and passages get thin; measure between cuts.",
    "<b>Lathe:</b> clamp on the bore, not on fins; no gloves or loose sleeves.",
    "<b>Running:</b> new timing can move peak speed past what crank, rod and flywheel stand (overspeed).",
    "<b>Law:</b> altering an engine may void its emissions approval (US Clean Air Act s. 203(a)(3); EU"
    " 2016/1628). Local codes and licensed practice decide.",
)


def _block(heading: str, lines: list[str], density: Density) -> Any:
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph, Table

    style = ParagraphStyle(
        "small", fontName=REGULAR, fontSize=density.words_pt, leading=1.22 * density.words_pt
    )
    cells = [[Paragraph(f"<b>{heading}</b>", style)], *[[Paragraph(line, style)] for line in lines]]
    pads = [
        (f"{side}PADDING", (0, 0), (-1, -1), amount)
        for side, amount in (("LEFT", 0), ("RIGHT", 0), ("TOP", 0), ("BOTTOM", 1.3))
    ]
    return Table(cells, style=pads, hAlign="LEFT")


def note_lines(
    engine: Engine, port_map: PortMap, notices: tuple[Notice, ...], *, most_notices: int
) -> list[str]:
    """Return what the figures mean, and the warnings, a line each.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    notices : tuple of Notice
        Those that come first are told, and how many more there are.
    most_notices : int
        How many are told.

    Returns
    -------
    list of str
        With ``&`` and angle brackets escaped, and ``<b>`` for what stands out.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> note_lines(engine, PortMap(stage="stock", ports=()), (), most_notices=7)[0]
    'No warnings travel with this job.'
    """
    lines = [f"! {_shortened(notice.message)}" for notice in notices[:most_notices]]
    more = len(notices) - most_notices
    if more > 0:
        lines.append(f"! and {more} more, which this page has no room for.")
    guessed = ", ".join(port.id for port in port_map.ports if port.kind_guessed)
    if guessed and not any(notice.code == "kind-guessed" for notice in notices):
        lines.append(f"! {_shortened(f'Kind guessed from the position, not stated: {guessed}')}")
    assumed = "; ".join(engine.assumed) or ("rod length" if engine.crank.rod_assumed else "")
    if assumed:
        lines.append(f"! {_shortened(f'Nobody measured, so assumed: {assumed}.')}")
    if not lines:
        lines.append("No warnings travel with this job.")
    marks = ", ".join(f"{mark} {basis}" for basis, mark in MARKS.items())
    return [
        *lines,
        f"Basis: {marks}. A figure worked out from an assumed one is no better than it.",
        f"± is k = 2 (about 95 %), from {doubt_covers(engine)}. A figure without ± has none stated.",
        "Angle-areas and time-areas use the <b>wall area</b>: the port as it is on the bore wall laid flat."
        " The chord area is what a flat gauge across the window sees; it is smaller, the more so the wider"
        " the window. Compare like with like.",
        "Specific time-area: time-area over the swept volume; 10⁻³ s/m is the same as 10⁻⁵ s·cm²/cm³."
        " Transfer means transfer and boost ports together.",
        "The drawing is to look at and to check: do not mark out from it.",
    ]


def all_told(notices: tuple[Notice, ...], most_notices: int) -> bool:
    """Return whether every warning stands in `note_lines` in full.

    Parameters
    ----------
    notices : tuple of Notice
    most_notices : int

    Returns
    -------
    bool

    Examples
    --------
    >>> all_told((Notice(code="a", message="Short."),), 1), all_told((), 0)
    (True, True)
    """
    return len(notices) <= most_notices and all(len(one.message) <= MOST_LETTERS for one in notices)


def note_words(
    engine: Engine,
    port_map: PortMap,
    notices: tuple[Notice, ...],
    *,
    density: Density = ROOMY,
    most_notices: int = 7,
) -> Any:
    """Return what the figures mean, and the warnings, laid out for paper.

    Parameters
    ----------
    engine : Engine
    port_map : PortMap
    notices : tuple of Notice
        Those that come first are printed, and how many more there are.
    density : Density, optional
    most_notices : int, optional
        How many are printed.

    Returns
    -------
    reportlab Table
    """
    return _block(NOTES_HEADING, note_lines(engine, port_map, notices, most_notices=most_notices), density)


def _shortened(text: str) -> str:
    shown = printable(text)
    return escape(shown if len(shown) <= MOST_LETTERS else f"{shown[: MOST_LETTERS - 1]}…")


def care_words(*, density: Density = ROOMY) -> Any:
    """Return the cautions.

    Parameters
    ----------
    density : Density, optional

    Returns
    -------
    reportlab Table
    """
    return _block(CARE_HEADING, list(CARE), density)
