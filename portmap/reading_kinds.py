"""The kinds of readings: what each is called, its unit, its usual tool, and which edge of a port it is of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from portmap.job_schema import ReadingKind

__all__ = ["READING_KINDS", "UNIT_WORDS", "Edge", "KindFacts", "ReadingKind", "ReadingUnit"]

ReadingUnit = Literal["deg", "mm", "cm3", "bar"]
Edge = Literal["roof", "floor"]

UNIT_WORDS = {"deg": "degrees", "mm": "mm", "cm3": "cm³", "bar": "bar"}


@dataclass(frozen=True, kw_only=True, slots=True)
class KindFacts:
    """What is true of every reading of one kind.

    Parameters
    ----------
    words : str
        What is read, in the trade's words.
    unit : {'deg', 'mm', 'cm3', 'bar'}
        The only unit it is kept in.
    tool : str
        What it is usually read with.
    of_port : bool
        Whether it belongs to a port.
    edge : {'roof', 'floor'} or None
        Which edge of the port; None where the port's control decides, or without a port.
    """

    words: str
    unit: ReadingUnit
    tool: str
    of_port: bool = False
    edge: Edge | None = None


def _of_port(words: str, edge: Edge, tool: str = "caliper") -> KindFacts:
    return KindFacts(words=words, unit="mm", tool=tool, of_port=True, edge=edge)


def _length(words: str, tool: str = "caliper") -> KindFacts:
    return KindFacts(words=words, unit="mm", tool=tool)


READING_KINDS: dict[ReadingKind, KindFacts] = {
    "opens": KindFacts(words="opens", unit="deg", tool="degree wheel", of_port=True),
    "closes": KindFacts(words="closes", unit="deg", tool="degree wheel", of_port=True),
    "roof_height": _of_port("roof above the base", "roof"),
    "floor_height": _of_port("floor above the base", "floor"),
    "roof_from_deck": _of_port("roof from the deck", "roof"),
    "floor_from_deck": _of_port("floor from the deck", "floor"),
    "roof_depth": _of_port("roof below the crown at TDC", "roof"),
    "floor_depth": _of_port("floor below the crown at TDC", "floor"),
    "squish": _length("squish", "solder"),
    "depth_at": _length("piston depth", "dial gauge"),
    "head_volume": KindFacts(words="head volume", unit="cm3", tool="burette"),
    "case_volume": KindFacts(words="case volume", unit="cm3", tool="burette"),
    "cranking_pressure": KindFacts(words="cranking pressure", unit="bar", tool="pressure gauge"),
    "gasket": _length("gasket before the crush"),
    "gasket_crushed": _length("gasket after the crush"),
    "bore": _length("bore"),
    "stroke": _length("stroke"),
    "rod": _length("rod"),
    "pin_offset": _length("pin offset"),
    "crown_height": _length("crown height"),
    "skirt_length": _length("skirt length"),
    "deck_height": _length("deck height"),
    "squish_band_height": _length("squish band height"),
}
