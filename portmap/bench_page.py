"""The sheet's further pages: readings and how they agree, ratios and pressure, what each piece of work does.

They are drawn from the same documents that the verbs give as JSON, so that page and verb cannot differ.
A doubt after ± is k = 2. Words say what was measured, fitted from readings, assumed, or is a guide.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from portmap.effects import Effect
from portmap.page import Page
from portmap.ring import Verdict
from portmap.sheet_tables import Density, plain_table
from portmap.shown import COVERAGE, UnitSystem, number_text, with_doubt

__all__ = ["BenchFigures", "Block", "bench_pages", "draw_blocks"]

MOST_READINGS = 40  # rows that a page has room for
MOST_VERDICTS, MOST_STEPS = 8, 30
_GAP_MM, _HEADING_MM, _BETWEEN_MM = 4.0, 4.6, 1.6
_SIGNS = {"deg": "°", "cm3": " cm³", "bar": " bar"}
_DECIMALS = {"deg": 2, "cm3": 2, "bar": 2}
_DENSITY = Density(size_pt=6.5, lead_pt=8.0, pad_pt=2.2, words_pt=5.9)
_SIGNS_OF_GRADES = {"don't": "✕", "look again": "!", "not checked": "?"}
_STEP_MM = 0.1  # of work, for the table of effects


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchFigures:
    """What these pages say, each as its verb gives it to other programs.

    Parameters
    ----------
    fit : mapping or None
        From `portmap.fit_document.fit_document`; None without readings.
    compression : mapping
        From `portmap.compression.compression_document`.
    effects : tuple of Effect
        From `portmap.effects.effect_table`.
    plan : mapping or None
        The recipe kept in the job.
    ring : sequence of Verdict
        From `portmap.ring.ring_verdicts`.
    """

    fit: dict[str, Any] | None
    compression: dict[str, Any]
    effects: tuple[Effect, ...]
    plan: dict[str, Any] | None = None
    ring: tuple[Verdict, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Block:
    """A table, with the heading that stands over it.

    Parameters
    ----------
    heading : str
        Empty where the table goes on under the one before.
    table : reportlab Table
    """

    heading: str
    table: Any


def bench_pages(
    page: Page, figures: BenchFigures, units: UnitSystem, *, width_mm: float, height_mm: float
) -> tuple[tuple[Block, ...], ...]:
    """Return what stands on each page, as much on one as it holds.

    Parameters
    ----------
    page : Page
        Any, to measure on.
    figures : BenchFigures
    units : UnitSystem
    width_mm, height_mm : float
        Room on a page [mm].

    Returns
    -------
    tuple of tuple of Block
        By page; a heading stands again where its tables go on.
    """
    pages: list[list[Block]] = [[]]
    left = height_mm
    for heading, tables in (
        ("Readings and how they agree", _fit_tables(figures.fit, units, width_mm)),
        (
            "Volumes, ratios and cranking pressure",
            [_compression_table(figures.compression, units, width_mm)],
        ),
        (_effects_heading(units), [_effects_table(figures.effects, units, width_mm)]),
        ("Ring safety, by rules that are a guide", _ring_tables(figures.ring, width_mm)),
        ("The plan that was kept", _plan_tables(figures.plan, width_mm)),
    ):
        words = heading
        for table in tables:
            if table is None:
                continue
            high = page.flow_height_mm(table, width_mm)
            need = high + (_HEADING_MM + _GAP_MM if words else _BETWEEN_MM)
            if need > left and pages[-1]:
                pages.append([])
                left, words = height_mm, words or f"{heading}, continued"
                need = high + _HEADING_MM + _GAP_MM
            pages[-1].append(Block(heading=words, table=table))
            left -= need
            words = ""
    return tuple(tuple(blocks) for blocks in pages if blocks)


def draw_blocks(
    page: Page, blocks: tuple[Block, ...], *, left_mm: float, top_mm: float, width_mm: float
) -> None:
    """Draw one page's tables under one another.

    Parameters
    ----------
    page : Page
    blocks : tuple of Block
        From `bench_pages`.
    left_mm, top_mm, width_mm : float
        Where they may stand [mm].
    """
    top = top_mm
    for number, block in enumerate(blocks):
        if block.heading:
            top -= _GAP_MM if number else 0.0
            page.words((left_mm, top - 3.2), block.heading, size_pt=8.5, bold=True)
            top -= _HEADING_MM
        else:
            top -= _BETWEEN_MM
        top -= page.flow(block.table, left_mm, top, width_mm)


def _fit_tables(fit: dict[str, Any] | None, units: UnitSystem, width: float) -> list[Any]:
    if fit is None:
        return []
    head = ("no.", "reading", "doubt (k = 2)", "the fit gives", "off by", "belongs")
    apart = {number for suspect in fit["suspects"] for number in suspect["numbers"]}
    rows: list[tuple[str, ...]] = []
    for reading in fit["readings"][:MOST_READINGS]:
        number, unit = reading["number"], reading["unit"]
        rows.append(
            (
                "" if number is None else str(number),
                reading["words"],
                f"± {_amount(COVERAGE * reading['u'], unit, units)}",
                _amount(reading["fitted"], unit, units),
                _amount(reading["misfit"], unit, units),
                "not checked" if reading["studentised"] is None else "does not" if number in apart else "yes",
            )
        )
    more = len(fit["readings"]) - MOST_READINGS
    if more > 0:
        rows.append(("", f"and {more} more, which the page has no room for", "", "", "", ""))
    shares = (0.05, 0.42, 0.14, 0.14, 0.13, 0.12)
    found = [
        ("figure", "rests on", "found ± (k = 2)"),
        *(
            (
                figure["words"],
                {"measured": "measured", "fitted": "fitted from readings", "assumed": "assumed"}[
                    figure["basis"]
                ],
                f"{units.lengths(figure['value'], figure['u'])} {units.length}"
                if figure["unit"] == "mm"
                else with_doubt(figure["value"], figure["u"], 2) + _SIGNS[figure["unit"]],
            )
            for figure in fit["figures"]
        ),
    ]
    return [
        plain_table([head, *rows], [share * width for share in shares], density=_DENSITY, words=(1, 5)),
        plain_table(found, [0.3 * width, 0.2 * width, 0.2 * width], density=_DENSITY, words=(1,)),
    ]


def _amount(value: float, unit: str, units: UnitSystem) -> str:
    if unit == "mm":
        return f"{number_text(value * units.per_mm, units.length_decimals + 1)} {units.length}"
    return f"{number_text(value, _DECIMALS[unit])}{_SIGNS[unit]}"


def _compression_table(document: dict[str, Any], units: UnitSystem, width: float) -> Any:
    volumes, ratios, cranking = document["volumes"], document["ratios"], document["cranking"]
    rows: list[tuple[str, str, str]] = [("figure", "", "rests on")]

    def add(name: str, text: str | None, basis: str) -> None:
        rows.append((name, "not known" if text is None else text, basis))

    def volume(key: str) -> str | None:
        amount = volumes[key]
        return None if amount is None else f"{units.volumes(amount)} {units.volume}"

    add("head volume at TDC", volume("head_volume_cm3"), "the job's figure")
    add("trapped at exhaust closing", volume("trapped_volume_cm3"), "worked out")
    for name, key in (("geometric ratio", "geometric_ratio"), ("trapped ratio", "trapped_ratio")):
        add(name, None if ratios[key] is None else number_text(ratios[key], 2), "worked out")
    add(
        "case (primary) ratio",
        None if ratios["case_ratio"] is None else number_text(ratios["case_ratio"], 2),
        "worked out",
    )
    if cranking is None:
        add("cranking pressure", None, "")
    else:
        low, high = (cranking[key] for key in ("sea_level_low_bar", "sea_level_high_bar"))
        pressure = f"{units.pressures(low)} to {units.pressures(high)} {units.pressure}, gauge, at sea level"
        basis = f"assumed: exponent {cranking['exponent_low']:g} to {cranking['exponent_high']:g}"
        add("cranking pressure", pressure, basis)
    return plain_table(rows, [0.3 * width, 0.4 * width, 0.3 * width], density=_DENSITY, words=(1, 2))


def _effects_heading(units: UnitSystem) -> str:
    step = units.lengths(_STEP_MM) if units.name == "mm" else "10 thou"
    return f"What {step} {'mm' if units.name == 'mm' else ''} of each work does".replace("  ", " ")


def _effects_table(effects: tuple[Effect, ...], units: UnitSystem, width: float) -> Any:
    if not effects:
        return None
    step = _STEP_MM if units.name == "mm" else 0.254
    ports = [key.partition(":")[0] for key in effects[0].per_mm if key.endswith(":opens_deg")][:6]
    head = (
        "work",
        f"squish\n{units.length}",
        "trapped\nratio",
        "blowdown\n°",
        *(f"{port}\nopens, °" for port in ports),
    )
    rows: list[tuple[str, ...]] = [head]
    for effect in effects:
        per_mm = effect.per_mm
        amounts = [per_mm.get(name) for name in ("squish_mm", "trapped_ratio", "blowdown_deg")]
        amounts += [per_mm.get(f"{port}:opens_deg") for port in ports]
        if not any(amount is not None and abs(step * amount) > 5e-4 for amount in amounts):
            continue
        texts = []
        for place, amount in enumerate(amounts):
            scale = units.per_mm if place == 0 else 1.0
            decimals = units.length_decimals + 1 if place == 0 else 2
            texts.append("–" if amount is None else _signed(step * amount * scale, decimals))
        rows.append(
            (f"{effect.operation.replace('_', ' ')}{f' {effect.port}' if effect.port else ''}", *texts)
        )
    label = 0.22 * width
    each = (width - label) / (len(head) - 1)
    return plain_table(rows, [label, *[each] * (len(head) - 1)], density=_DENSITY)


def _signed(value: float, decimals: int) -> str:
    text = number_text(value, decimals)
    return text if text.startswith("−") or not any(digit in "123456789" for digit in text) else f"+{text}"


def _ring_tables(verdicts: tuple[Verdict, ...], width: float) -> list[Any]:
    if not verdicts:
        return []
    order = {"don't": 0, "look again": 1, "not checked": 2}
    bad = sorted((one for one in verdicts if one.grade in order), key=lambda one: order[one.grade])
    rows = [("port", "grade", "what")]
    rows += [
        (
            one.port if one.window is None else f"{one.port}, window {one.window}",
            f"{_SIGNS_OF_GRADES[one.grade]}  {one.grade}",
            one.words,
        )
        for one in bad[:MOST_VERDICTS]
    ]
    more, fine = len(bad) - MOST_VERDICTS, len(verdicts) - len(bad)
    rows.append(("", "", f"{f'{more} more; ' if more > 0 else ''}{fine} verdicts fine"))
    return [
        plain_table(
            rows, [0.2 * width, 0.14 * width, 0.66 * width], density=_DENSITY, words=(1, 2), wrapped=(2,)
        )
    ]


def _plan_tables(plan: dict[str, Any] | None, width: float) -> list[Any]:
    if plan is None:
        return []
    rows: list[tuple[str, str]] = [("wished", ", ".join(plan["wishes"]))]
    rows += [(str(number), words) for number, words in enumerate(plan["steps"][:MOST_STEPS], 1)]
    return [plain_table(rows, [0.1 * width, 0.9 * width], density=_DENSITY, words=(1,), wrapped=(1,))]
