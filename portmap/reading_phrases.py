"""The words in which readings are told: numbers, units, tools, kinds and mere filling, as patterns.

`portmap.reading_words` puts them together. All are matched without regard to case.
"""

from __future__ import annotations

import re

from portmap.job_schema import ReadingKind
from portmap.port import Kind
from portmap.tools import tool_of_spelling
from portmap.units import (
    ALTITUDE,
    ANGLE,
    LENGTH,
    PRESSURE,
    TEMPERATURE,
    VOLUME,
    Measure,
    spelled_units,
)

__all__ = [
    "ALTITUDE_UNITS",
    "COUNT_WORDS",
    "FILLING",
    "KIND_PHRASES",
    "KIND_WORDS",
    "LENGTH_UNITS",
    "NUMBER",
    "TEMPERATURE_UNITS",
    "TOOLS",
    "UNITS",
]

# a fraction as on a rule, or a plain number with a decimal point or comma
NUMBER = (
    r"[+\-−]?(?:(?:\d{1,4}(?:\s+|-))?\d{1,4}\s?[/⁄]\s?\d{1,4}(?![\d.,])"
    r"|\d{1,9}(?:[.,]\d{1,9})?|(?<!\d)[.,]\d{1,9})"
)

COUNT_WORDS = {
    word: number
    for number, word in enumerate(
        ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"), 1
    )
}


def _alternatives(spellings: list[str]) -> str:
    longest_first = sorted(spellings, key=len, reverse=True)
    return "|".join(re.escape(one).replace(r"\ ", r"\s+") for one in longest_first)


def _units(*measures: Measure) -> str:
    return _alternatives([spelling for measure in measures for spelling in spelled_units(measure)])


UNITS = _units(ANGLE, LENGTH, VOLUME, PRESSURE)
LENGTH_UNITS = _units(LENGTH)
ALTITUDE_UNITS = _units(ALTITUDE)
TEMPERATURE_UNITS = _units(TEMPERATURE)
TOOLS = _alternatives([*tool_of_spelling()])

# what a port may be called, and its kind; the longer first
KIND_WORDS: dict[str, Kind] = {
    "exhaust": "exhaust",
    "exh": "exhaust",
    "ex": "exhaust",
    "transfer": "transfer",
    "trans": "transfer",
    "xfer": "transfer",
    "boost": "boost",
    "intake": "intake",
    "inlet": "intake",
    "int": "intake",
    "strato": "strato",
}

# in this order: the longer phrase before the word that it holds
KIND_PHRASES: tuple[tuple[ReadingKind, str], ...] = (
    ("cranking_pressure", r"\b(?:cranking(?:\s+pressure)?|compression(?:\s+pressure)?)\b"),
    ("head_volume", r"\b(?:head|chamber|combustion\s+chamber)\s+(?:volume|cc)\b"),
    ("case_volume", r"\b(?:case|crankcase)\s+(?:volume|cc)\b"),
    ("squish_band_height", r"\bsquish\s+band(?:\s+height)?(?:\s+(?:above|from)\s+(?:the\s+)?base)?\b"),
    ("squish", r"\bsquish(?:\s+(?:clearance|gap))?\b"),
    ("deck_height", r"\bdeck\s+height\b"),
    ("crown_height", r"\bcrown\s+height\b"),
    ("skirt_length", r"\bskirt(?:\s+length)?\b"),
    ("pin_offset", r"\b(?:wrist\s*)?pin\s+offset\b"),
    ("opens", r"\b(?:opens|opened|opening|open)\b(?:\s+at\b)?"),
    ("closes", r"\b(?:closes|closed|closing|shuts|shut)\b(?:\s+at\b)?"),
    ("rod", r"\b(?:connecting\s+|con\s*)?rod(?:\s+length)?\b"),
    ("bore", r"\bbore\b"),
    ("stroke", r"\bstroke\b"),
)

_FILLING = (
    "a an and as at by for from gauge height in is it its length measured measures of on piston port ports"
    " read reading reads tdc that the then there to using was were when with wide ; – - —"
)
FILLING = frozenset(_FILLING.split())
