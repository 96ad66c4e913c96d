"""Readings in plain words: ``exhaust opens 104 deg, gasket 0.5 mm`` and back.

The parts may stand in any order. What is understood is taken out of the sentence piece by piece: date,
doubt, count, tool, what was read, gasket, port, then the figures; what is left over must be mere filling,
else the sentence is refused with the words that were not understood. Sizes are typed as everywhere
(`portmap.quantity`): mm or inch, decimal point or comma, fractions.

Degrees count from TDC onward, 0 to 360. Said from BDC, BDC counts as 180°. Said without a side, a degree in
the half of the turn where the edge cannot pass is taken from the other side, as the trade means it: an
intake that opens at 75 opens 75° before TDC. `Understood.said` tells whatever was taken for granted.

A ± that somebody types is two standard uncertainties (k = 2), like every ± that portmap shows.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from portmap.errors import JobError
from portmap.job_faults import nearest, quoted
from portmap.port import PortEdges
from portmap.quantity import altitude_m, angle_deg, length_mm, pressure_pa, temperature_c, volume_cm3
from portmap.reading_kinds import READING_KINDS, ReadingKind, ReadingUnit
from portmap.reading_phrases import (
    ALTITUDE_UNITS,
    COUNT_WORDS,
    FILLING,
    KIND_PHRASES,
    KIND_WORDS,
    LENGTH_UNITS,
    NUMBER,
    TEMPERATURE_UNITS,
    TOOLS,
    UNITS,
)
from portmap.readings import PORT_KINDS, Reading, checked_reading, port_named_by_kind
from portmap.tools import tool_named, tool_of_spelling

__all__ = ["Understood", "reading_in_words", "words_of_reading"]

LONGEST = 500  # letters of one sentence
EXAMPLE = 'write it like "exhaust opens 104 deg, gasket 0.5 mm"'
COVERAGE = 2.0  # of a typed ±
PA_PER_BAR = 1e5
REPEATS_WITHIN = 20.0  # of the tool's ±: what is further apart are two things, not two readings of one

WHAT = (
    "opens",
    "closes",
    "roof",
    "floor",
    "squish",
    "depth",
    "volume",
    "cranking",
    "gasket",
    "bore",
    "stroke",
)

Side = Literal["after TDC", "before TDC", "after BDC", "before BDC"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Understood:
    """A reading, and what was taken for granted in its words.

    Parameters
    ----------
    reading : Reading
    said : tuple of str
        Each a sentence.
    """

    reading: Reading
    said: tuple[str, ...] = ()


class _Words:
    """A sentence out of which pieces are taken."""

    def __init__(self, text: str) -> None:
        self.left = text

    def take(self, pattern: str) -> re.Match[str] | None:
        found = re.search(pattern, self.left, re.IGNORECASE)
        if found is not None:
            self.left = f"{self.left[: found.start()]} | {self.left[found.end() :]}"
        return found


def reading_in_words(
    text: str, ports: Mapping[str, PortEdges], *, new_ports: bool = False, date: str | None = None
) -> Understood:
    """Return the reading that a sentence tells.

    Parameters
    ----------
    text : str
        Such as ``exhaust opens 104 deg, gasket 0.5 mm`` or ``squish 0.55 0.60 0.58 mm solder``.
    ports : mapping of str to PortEdges
        The ports that it may name, from `portmap.readings.reading_ports`.
    new_ports : bool, optional
        Whether a name that says its kind may stand for a new port.
    date : str or None, optional
        The reading's date unless the sentence has one.

    Returns
    -------
    Understood

    Raises
    ------
    QuantityError
        If a number or unit is none, or does not fit what was read, or the tool is not known.
    JobError
        If words are not understood, the port is not there, or the reading makes no sense.

    Examples
    --------
    >>> ports = {"intake": PortEdges(id="intake", kind="intake", control="skirt")}
    >>> found = reading_in_words("intake opens 75 before TDC, no gasket, three times", ports)
    >>> found.reading.value, found.reading.gasket_mm, found.reading.times
    (285.0, 0.0, 3)
    >>> reading_in_words("squish 0.55 0,60 0.58 mm solder", ports).reading.places_mm
    (0.55, 0.6, 0.58)
    """
    shown = quoted(text)
    if len(text) > LONGEST:
        raise JobError(
            f"{shown} is longer than {LONGEST} letters", remedy="give each reading a sentence of its own"
        )
    # after a decimal point a comma separates
    words = _Words(re.sub(r"(\d?\.\d+),(?=\d*\.\d)", r"\1, ", " ".join(text.split())))
    said: list[str] = []
    note = words.take(r"[,;|]?\s*\bnote\s*:\s*(?P<note>.+)$")
    dated = words.take(r"\b(?:on\s+)?(\d{4}-\d{2}-\d{2})\b")
    doubt = words.take(rf"(?:±|\+/-|\+-|plus or minus)\s*(?P<figure>{NUMBER}\s*(?:{UNITS})?)")
    times = _times(words)
    tool = _tool(words)
    port = _port(words, ports, new_ports=new_ports)
    kind, at_deg = _kind(words, shown)
    gasket = _gasket(words, kind)
    altitude = temperature = None
    if kind == "cranking_pressure":
        temperature, altitude = _temperature(words), _altitude(words)
    side = _side(words)
    unit = READING_KINDS[kind].unit
    values, typed_unit = _values(words, kind, shown)
    _refuse_rest(words, kind, port, ports, shown)
    if unit == "deg":
        values = [_degree(value, side, kind, ports, port, said) for value in values]
    elif side is not None:
        raise JobError(f"{shown}: {side} has no place in this reading", remedy=EXAMPLE)
    places: tuple[float, ...] = ()
    if len(values) > 1 and kind == "squish":
        places = tuple(values)
        said.append(f"Mean of {len(values)} places.")
    elif len(values) > 1:
        _refuse_strangers(values, kind, tool, shown)
        times = max(times, len(values))
        said.append(f"Mean of {len(values)} readings.")
    half = None
    if doubt is not None:
        figure = doubt["figure"].strip()
        half = _amount(figure if re.search(r"[^\d.,\s/⁄-]", figure) else f"{figure} {typed_unit}", kind)
        said.append("The ± was taken as two standard uncertainties (k = 2).")
    reading = Reading(
        kind=kind,
        value=round(sum(values) / len(values), 9),
        port=port,
        at_deg=at_deg,
        gasket_mm=gasket,
        places_mm=places,
        tool=tool,
        times=times,
        doubt=None if half is None else half / COVERAGE,
        date=dated[1] if dated is not None else date,
        altitude_m=altitude,
        temperature_c=temperature,
        note=note["note"].strip() if note is not None else None,
    )
    return Understood(reading=checked_reading(reading, ports, new_ports=new_ports), said=tuple(said))


def _times(words: _Words) -> int:
    found = words.take(
        rf"\b(?:read\s+)?(?:(?P<word>once|twice|thrice)|(?P<count>\d{{1,4}}|{'|'.join(COUNT_WORDS)})"
        r"(?:\s+times|\s*x)|x\s*(?P<after>\d{1,4}))\b"
    )
    if found is None:
        return 1
    if found["word"]:
        return {"once": 1, "twice": 2, "thrice": 3}[found["word"].lower()]
    count = (found["count"] or found["after"]).lower()
    return int(COUNT_WORDS.get(count) or count)


def _tool(words: _Words) -> str | None:
    found = words.take(rf"(?:\b(?:with|by|using|on)\s+(?:an?\s+|the\s+)?)?\b({TOOLS})\b")
    return None if found is None else tool_of_spelling()[" ".join(found[1].split()).casefold()]


def _port(words: _Words, ports: Mapping[str, PortEdges], *, new_ports: bool) -> str | None:
    for name in sorted(ports, key=len, reverse=True):
        before = r"port\s+" if name.isdigit() else ""  # a bare number is a figure
        if words.take(rf"(?<![\w.,])(?:the\s+)?{before}{re.escape(name)}(?![\w])"):
            return name
    found = words.take(
        rf"\b({'|'.join(KIND_WORDS)})s?\b"
        r"(?:[ \-](?P<which>\d{1,2}|left|right|front|rear|main)\b(?![.,]\d))?"
    )
    if found is None:
        return None
    kind = KIND_WORDS[found[1].lower()]
    name = f"{kind} {found['which'].lower()}" if found["which"] else kind
    if name in ports:
        return name
    same = [port.id for port in ports.values() if port.kind == kind]
    if found["which"] is None and len(same) == 1:
        return same[0]
    if same and not new_ports:
        raise JobError(
            f"there are several ports for {quoted(found[0].strip())}"
            if not found["which"]
            else f"there is no port {quoted(name)}",
            where="port",
            remedy=f"name one of {', '.join(same)}",
        )
    return name  # new, or refused with the ports there are


def _kind(words: _Words, shown: str) -> tuple[ReadingKind, float | None]:
    """Return what was read, and for a depth the degree."""
    depth = (
        words.take(
            rf"(?:\bpiston\s+)?\b(?:depth|drop|down)\b(?P<value>[^@]*?)(?:\bat\b|@)\s*"
            rf"(?P<at>{NUMBER}\s*(?:deg\w*\.?|°|º))"
        )
        if not re.search(r"\b(?:roof|floor|top|bottom|edge)\b", words.left, re.IGNORECASE)
        else None
    )
    if depth is not None:
        side = _side(words)
        words.left = f"{depth['value']} | {words.left}"
        at = _from_side(angle_deg(depth["at"]), side) if side else angle_deg(depth["at"])
        return "depth_at", at
    for kind, pattern in KIND_PHRASES:
        if words.take(pattern):
            return kind, None
    edge = words.take(
        r"\b(?:(?P<roof>roof|top(?:\s+edge)?|upper\s+edge)|floor|bottom(?:\s+edge)?|lower\s+edge)\b"
    )
    if edge is not None:
        name = "roof" if edge["roof"] else "floor"
        if words.take(
            r"\b(?:from|below|under|down\s+from)\s+(?:the\s+)?(?:deck|head\s+face|upper\s+face|top\s+face)\b"
        ):
            return ("roof_from_deck" if name == "roof" else "floor_from_deck"), None
        if words.take(
            r"\b(?:from|below|under|down\s+from)\s+(?:the\s+)?(?:piston\s+)?(?:crown|piston)(?:\s+edge)?(?:\s+at\s+TDC)?\b"
        ) or words.take(r"\bdepth\b"):
            words.take(r"\bat\s+TDC\b")
            return ("roof_depth" if name == "roof" else "floor_depth"), None
        if words.take(r"\b(?:above|from|over)\s+(?:the\s+)?base(?:\s+face)?\b") or words.take(r"\bheight\b"):
            return ("roof_height" if name == "roof" else "floor_height"), None
        raise JobError(
            f"{shown} does not say from where the {name} was measured",
            remedy="add from the deck, above the base, or below the crown",
        )
    if re.search(r"\bgasket\b", words.left, re.IGNORECASE):
        if re.search(r"\b(?:uncrushed|before|new|fresh|free)\b", words.left, re.IGNORECASE):
            words.take(r"\b(?:uncrushed|before(?:\s+(?:the\s+)?crush)?|new|fresh|free)\b")
            return "gasket", None
        if words.take(r"\bafter(?:\s+(?:the\s+)?crush)?\b") or re.search(
            r"\bcrushed\b", words.left, re.IGNORECASE
        ):
            return "gasket_crushed", None
        raise JobError(
            f"{shown} does not say whether the gasket was measured before or after the crush",
            remedy="add before the crush, or after the crush",
        )
    near = next(filter(None, (nearest(word, WHAT) for word in re.findall(r"[^\W\d_]{3,}", words.left))), None)
    raise JobError(
        f"{shown} does not say what was read",
        remedy=f"did you mean {near}? {EXAMPLE[0].upper()}{EXAMPLE[1:]}" if near else EXAMPLE,
    )


def _gasket(words: _Words, kind: ReadingKind) -> float | None:
    """Return the gasket that was fitted."""
    if kind == "gasket_crushed":
        named = words.take(rf"\bgasket\s+(?P<of>{NUMBER}\s*(?:{LENGTH_UNITS})?)\s*\bcrushed\s+to\b")
        words.take(r"\bcrushed\b")
        words.take(r"\b(?:base\s+)?gasket\b")
        return None if named is None else length_mm(named["of"], where="gasket", sign="not negative")
    if kind == "gasket":
        words.take(r"\b(?:base\s+)?gasket\b")
        return None
    if words.take(r"\b(?:with\s+)?(?:no|without(?:\s+(?:an?|the|any))?)\s+(?:base\s+)?gasket\b"):
        return 0.0
    size = rf"(?P<of>{NUMBER}\s*(?:{LENGTH_UNITS})?)(?![\w°])"
    found = words.take(
        rf"\b(?:with\s+)?(?:an?\s+|the\s+)?(?:base\s+)?gasket\s*(?:of|is|was|:|=)?\s*{size}"
    ) or words.take(rf"\b(?:with\s+|on\s+)?(?:an?\s+|the\s+)?{size}\s*(?:thick\s+)?(?:base\s+)?gasket\b")
    if found is None:
        words.take(r"\b(?:with\s+)?(?:the\s+|its\s+)?(?:base\s+)?gasket(?:\s+(?:in|fitted|on))?\b")
        return None
    return length_mm(found["of"].strip(), where="gasket", sign="not negative")


def _temperature(words: _Words) -> float | None:
    found = words.take(rf"(?:\bat\s+)?(?<![\w.,])(?P<size>{NUMBER}\s*(?:{TEMPERATURE_UNITS}))(?!\w)")
    return None if found is None else round(temperature_c(found["size"], where="temperature"), 6)


def _altitude(words: _Words) -> float | None:
    found = words.take(
        rf"(?<![\w.,])(?:(?:at|altitude(?:\s+of)?)\s+)?(?P<size>{NUMBER}\s*(?:{ALTITUDE_UNITS}))(?!\w)"
        r"(?:\s*(?:altitude|up|high|above\s+sea\s+level|above\s+the\s+sea|asl)\b)?"
    )
    if found is None:
        return 0.0 if words.take(r"\b(?:at\s+)?sea\s+level\b") else None
    return round(altitude_m(found["size"], where="altitude"), 6)


def _side(words: _Words) -> Side | None:
    found = words.take(
        r"\b(?:(?P<when>before|after|past)\s+(?P<dead>TDC|BDC|top|bottom)(?:\s+dead\s+cent(?:er|re))?"
        r"|(?P<short>[AB])(?P<short_dead>TDC|BDC))\b"
    )
    if found is None:
        return None
    when = "before" if (found["when"] or found["short"]).lower() in ("before", "b") else "after"
    dead = (found["dead"] or found["short_dead"]).lower()
    sides: dict[tuple[str, str], Side] = {
        ("after", "t"): "after TDC",
        ("before", "t"): "before TDC",
        ("after", "b"): "after BDC",
        ("before", "b"): "before BDC",
    }
    return sides[when, dead[0]]


def _from_side(degree: float, side: Side) -> float:
    return {
        "after TDC": degree,
        "before TDC": 360.0 - degree,
        "after BDC": 180.0 + degree,
        "before BDC": 180.0 - degree,
    }[side]


def _degree(
    value: float,
    side: Side | None,
    kind: ReadingKind,
    ports: Mapping[str, PortEdges],
    name: str | None,
    said: list[str],
) -> float:
    """Return degrees after TDC for a degree as it was said."""
    if side is not None:
        if side.endswith("BDC"):
            said.append("BDC was taken as 180° after TDC.")
        return _from_side(value, side)
    port = None if name is None else ports.get(name) or port_named_by_kind(name)
    if port is None or port.control not in ("crown", "skirt") or not 0 < value < 180:
        return value
    falling = (port.control == "crown") == (kind == "opens")
    if falling:
        return value
    said.append(
        f"{value:g}° was taken as before TDC, since the {port.control} {kind} {port.id} as the piston rises."
    )
    return 360.0 - value


def _values(words: _Words, kind: ReadingKind, shown: str) -> tuple[list[float], str]:
    """Return the figures left in the sentence, and the unit they were typed in."""
    typed: list[tuple[str, str]] = []
    while (
        found := words.take(rf"(?<![\w.,])(?P<number>{NUMBER})\s*(?P<unit>(?:{UNITS})(?![^\W\d_])|%)?")
    ) is not None:
        typed.append((found["number"], (found["unit"] or "").strip()))
    if not typed:
        raise JobError(f"{shown} holds no figure for {READING_KINDS[kind].words}", remedy=EXAMPLE)
    last = typed[-1][1]
    return [_amount(f"{number} {unit or last}", kind) for number, unit in typed], last


def _refuse_strangers(values: list[float], kind: ReadingKind, tool: str | None, shown: str) -> None:
    """Refuse figures that cannot be repeats of one reading."""
    facts = READING_KINDS[kind]
    good_for = tool_named(tool or facts.tool).plus_minus
    if max(values) - min(values) > REPEATS_WITHIN * good_for:
        raise JobError(
            f"{', '.join(f'{value:g}' for value in values)} in {shown} are too far apart to be one reading",
            remedy="give each reading a sentence of its own",
        )


def _amount(text: str, kind: ReadingKind) -> float:
    parsers: dict[ReadingUnit, Callable[..., float]] = {
        "deg": angle_deg,
        "mm": length_mm,
        "cm3": volume_cm3,
        "bar": pressure_pa,
    }
    facts = READING_KINDS[kind]
    amount = parsers[facts.unit](text.strip(), where=facts.words, sign="any")
    return round(amount / PA_PER_BAR, 9) if facts.unit == "bar" else round(amount, 9)


def _refuse_rest(
    words: _Words, kind: ReadingKind, port: str | None, ports: Mapping[str, PortEdges], shown: str
) -> None:
    tool = words.take(r"\b(?:with|by|using)\s+(?:an?\s+|the\s+)?(?P<tool>[^\W\d_][^|,;]*[^\W_])")
    if tool is not None:
        tool_named(tool["tool"], where="tool")  # refuses, with the nearest
    rest = [word for word in re.findall(r"[^\s|,;:/=@().]+", words.left) if word.casefold() not in FILLING]
    if not rest:
        return
    unknown = " ".join(rest)
    if READING_KINDS[kind].of_port and port is None:
        near = nearest(rest[0], [*ports, *PORT_KINDS])
        there = f"the job has {', '.join(ports)}" if ports else f"name one of {', '.join(PORT_KINDS)}"
        raise JobError(
            f"{quoted(unknown)} in {shown} is not a port here",
            where="port",
            remedy=f"did you mean {near}? Otherwise {there}" if near else there,
        )
    raise JobError(f"{quoted(unknown)} in {shown} is not understood", remedy=EXAMPLE)


def words_of_reading(reading: Reading, *, dated: bool = True) -> str:
    """Return a reading as a sentence that `reading_in_words` takes back.

    Parameters
    ----------
    reading : Reading
    dated : bool, optional
        With its date and note.

    Returns
    -------
    str

    Examples
    --------
    >>> words_of_reading(Reading(kind="opens", port="intake", value=285.0, gasket_mm=0.5, times=3))
    'intake opens 75° before TDC, gasket 0.5 mm, 3 times'
    """
    told = reading if dated else replace(reading, date=None, note=None)
    return ", ".join([_what(told), *_circumstances(told)])


def _what(reading: Reading) -> str:
    kind, figure = reading.kind, f"{reading.value:.12g}"
    port = f"port {reading.port}" if (reading.port or "").isdigit() else reading.port
    if kind in ("opens", "closes"):
        late = reading.value > 180
        degree = f"{360 - reading.value if late else reading.value:.12g}"
        return f"{port} {kind} {degree}° {'before' if late else 'after'} TDC"
    places = {
        "height": "above the base",
        "from_deck": "from the deck",
        "depth": "below the crown at TDC",
    }
    for ending, words in places.items():
        for edge in ("roof", "floor"):
            if kind == f"{edge}_{ending}":
                return f"{port} {edge} {figure} mm {words}"
    if kind == "depth_at":
        return f"piston depth {figure} mm at {reading.at_deg:.12g}°"
    if kind == "squish" and reading.places_mm:
        return f"squish {' '.join(f'{place:.12g}' for place in reading.places_mm)} mm"
    if kind == "gasket":
        return f"gasket before the crush {figure} mm"
    if kind == "gasket_crushed":
        named = "" if reading.gasket_mm is None else f" {reading.gasket_mm:.12g} mm"
        return f"gasket{named} crushed to {figure} mm" if named else f"gasket after the crush {figure} mm"
    facts = READING_KINDS[kind]
    return f"{facts.words} {figure} {'cm³' if facts.unit == 'cm3' else facts.unit}"


def _circumstances(reading: Reading) -> list[str]:
    found = []
    if reading.gasket_mm is not None and reading.kind != "gasket_crushed":
        found.append("no gasket" if reading.gasket_mm == 0 else f"gasket {reading.gasket_mm:.12g} mm")
    if reading.altitude_m is not None:
        found.append(f"{reading.altitude_m:.12g} m above sea level")
    if reading.temperature_c is not None:
        found.append(f"{reading.temperature_c:.12g} °C")
    if reading.tool is not None:
        found.append(reading.tool)
    if reading.times > 1:
        found.append(f"{reading.times} times")
    if reading.doubt is not None:
        unit = {"deg": "°", "mm": " mm", "cm3": " cm³", "bar": " bar"}[reading.unit]
        found.append(f"± {COVERAGE * reading.doubt:.12g}{unit}")
    if reading.date is not None:
        found.append(reading.date)
    if reading.note is not None:
        found.append(f"note: {reading.note}")
    return found
