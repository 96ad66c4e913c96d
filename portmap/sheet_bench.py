"""The bench's part of the build sheet: readings and how they agree, ratios, what each work does, ring safety.

It is made from the same documents that the verbs give as JSON, so that page and verb cannot differ.
A doubt after ± is k = 2. Words say what was measured, fitted from readings, assumed, or is a guide.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from portmap.effects import Effect
from portmap.ring import Verdict
from portmap.sheet_parts import Section
from portmap.sheet_rows import SheetTable
from portmap.shown import COVERAGE, UnitSystem, number_text, with_doubt

__all__ = ["BenchFigures", "bench_sections"]

MOST_READINGS = 400  # a job may hold ten thousand, which nobody reads on paper
MOST_VERDICTS = 40
_SIGNS = {"deg": "°", "cm3": " cm³", "bar": " bar"}
_DECIMALS = {"deg": 2, "cm3": 2, "bar": 2}
_SIGNS_OF_GRADES = {"don't": "✕", "look again": "!", "not checked": "?"}
_STEP_MM = 0.1  # of work, for the table of effects


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchFigures:
    """What these sections say, each as its verb gives it to other programs.

    Parameters
    ----------
    fit : mapping or None
        From `portmap.fit_document.fit_document`; None without readings.
    compression : mapping
        From `portmap.compression.compression_document`.
    effects : tuple of Effect
        From `portmap.effects.effect_table`.
    ring : sequence of Verdict
        From `portmap.ring.ring_verdicts`.
    """

    fit: dict[str, Any] | None
    compression: dict[str, Any]
    effects: tuple[Effect, ...]
    ring: tuple[Verdict, ...] = ()


def bench_sections(figures: BenchFigures, units: UnitSystem) -> tuple[Section, ...]:
    """Return the bench's sections.

    Parameters
    ----------
    figures : BenchFigures
    units : UnitSystem

    Returns
    -------
    tuple of Section
        Only those that have something to say.
    """
    tables: tuple[tuple[str, list[SheetTable]], ...] = (
        ("Readings and how they agree", _fit_tables(figures.fit, units)),
        ("Volumes, ratios and cranking pressure", [_compression_table(figures.compression, units)]),
        (_effects_heading(units), _effects_tables(figures.effects, units)),
        ("Ring safety, by rules that are a guide", _ring_tables(figures.ring)),
    )
    return tuple(Section(heading=heading, parts=tuple(found)) for heading, found in tables if found)


def _fit_tables(fit: dict[str, Any] | None, units: UnitSystem) -> list[SheetTable]:
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
        rows.append(("", f"and {more} more, which the sheet has no room for", "", "", "", ""))
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
        SheetTable(rows=(head, *rows), shares=shares, words=(1, 5)),
        SheetTable(rows=tuple(found), shares=(0.3, 0.2, 0.2), words=(1,)),
    ]


def _amount(value: float, unit: str, units: UnitSystem) -> str:
    if unit == "mm":
        return f"{number_text(value * units.per_mm, units.length_decimals + 1)} {units.length}"
    return f"{number_text(value, _DECIMALS[unit])}{_SIGNS[unit]}"


def _compression_table(document: dict[str, Any], units: UnitSystem) -> SheetTable:
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
    return SheetTable(rows=tuple(rows), shares=(0.3, 0.4, 0.3), words=(1, 2))


def _effects_heading(units: UnitSystem) -> str:
    step = units.lengths(_STEP_MM) if units.name == "mm" else "10 thou"
    return f"What {step} {'mm' if units.name == 'mm' else ''} of each work does".replace("  ", " ")


def _effects_tables(effects: tuple[Effect, ...], units: UnitSystem) -> list[SheetTable]:
    if not effects:
        return []
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
    label = 0.22
    each = (1.0 - label) / (len(head) - 1)
    return [SheetTable(rows=tuple(rows), shares=(label, *[each] * (len(head) - 1)))]


def _signed(value: float, decimals: int) -> str:
    text = number_text(value, decimals)
    return text if text.startswith("−") or not any(digit in "123456789" for digit in text) else f"+{text}"


def _ring_tables(verdicts: tuple[Verdict, ...]) -> list[SheetTable]:
    if not verdicts:
        return []
    order = {"don't": 0, "look again": 1, "not checked": 2}
    bad = sorted((one for one in verdicts if one.grade in order), key=lambda one: order[one.grade])
    rows = [("port", "grade", "what")]
    rows += [
        (
            one.port if one.window is None else f"{one.port}, window {one.window}",
            f"{_SIGNS_OF_GRADES[one.grade]}  {one.grade}",
            one.words.removeprefix(f"{one.grade.capitalize()}: "),
        )
        for one in bad[:MOST_VERDICTS]
    ]
    more, fine = len(bad) - MOST_VERDICTS, len(verdicts) - len(bad)
    rows.append(("", "", f"{f'{more} more; ' if more > 0 else ''}{fine} verdicts fine"))
    return [SheetTable(rows=tuple(rows), shares=(0.2, 0.14, 0.66), words=(1, 2), wrapped=(2,))]
