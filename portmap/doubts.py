"""The figures of an engine and its ports that results lean on, each with how sure it is.

Where `portmap fit` has said how sure a figure is, that stands, with its correlations. An outline's or a
read height's own doubt comes next. A figure that nobody doubted aloud takes the doubt of the tool that
would have read it, and is marked *assumed doubt*.

Of outlines three things may be off: a port's roof, its floor, and the size of all that is drawn. The roof and
floor of one outline move together, as do the windows of one port, since they share a datum; those of
different ports are taken as independent, which makes a blowdown rather too doubtful. Size is common to all
outlines, since one picture has one scale. Areas keep the doubt that their outlines state (in proportion, by
the common size), whatever the heights do.

Glossary
--------
figure
    A name with its unit: ``crown_height_mm``; ``roof_mm:exhaust`` for a port's height; `SIZE` for the common
    size of outlines, counted in standard uncertainties; `EXPONENT` for that of squeezing when cranked.
source
    Where the doubt of a figure comes from: ``fit``, ``stated``, ``assumed`` or ``range``.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from portmap.cranking import EXPONENTS
from portmap.distributions import Distribution, Joint, Rectangular, draws
from portmap.errors import Notice
from portmap.gum import checked_covariance
from portmap.port import Port
from portmap.readings import READING_KINDS, ReadingKind
from portmap.shown import COVERAGE, UnitSystem, unit_system
from portmap.tools import assumptions, tool_doubt, tools

if TYPE_CHECKING:
    from portmap.shopwork import Build

__all__ = [
    "EXPONENT",
    "SIZE",
    "Doubts",
    "Figure",
    "Source",
    "doubts_of",
    "drawn_values",
    "relative_area_u",
]

Floats = NDArray[np.float64]
Source = Literal["fit", "stated", "assumed", "range"]

SIZE = "outline_size"
EXPONENT = "exponent"

# the kind of reading that gives each figure, and what the figure is in words
READ_AS: dict[str, tuple[ReadingKind, str]] = {
    "bore_mm": ("bore", "bore"),
    "stroke_mm": ("stroke", "stroke"),
    "rod_mm": ("rod", "rod length"),
    "pin_offset_mm": ("pin_offset", "pin offset"),
    "crown_height_mm": ("crown_height", "crown height"),
    "base_gasket_mm": ("gasket", "base gasket"),
    "skirt_length_mm": ("skirt_length", "skirt length"),
    "squish_band_height_mm": ("squish_band_height", "squish band height"),
    "head_volume_cm3": ("head_volume", "head volume"),
    "case_volume_cm3": ("case_volume", "case volume"),
}
HEIGHTS: dict[str, ReadingKind] = {"roof": "roof_height", "floor": "floor_height"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Figure:
    """One figure that results lean on.

    Parameters
    ----------
    name : str
        As in the glossary of this module.
    words : str
        For a person: ``crown height``, ``roof of exhaust``.
    value : float
        In `unit`.
    u : float
        Standard uncertainty in `unit`.
    unit : str
        ``mm``, ``cm³``, or none.
    source : {'fit', 'stated', 'assumed', 'range'}
        Where the doubt comes from.
    tool : str or None
        What would read it; None where no tool does, or it is traced.
    traced_u : float or None
        How sure one tracing leaves it, in `unit`; None for what is not traced.
    """

    name: str
    words: str
    value: float
    u: float
    unit: str
    source: Source
    tool: str | None = None
    traced_u: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Doubts:
    """All figures that results lean on, and how they hang together.

    Parameters
    ----------
    figures : tuple of Figure
    covariance : tuple of tuple of float
        Square, in that order; products of the figures' units.
    """

    figures: tuple[Figure, ...]
    covariance: tuple[tuple[float, ...], ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Return the figures' names in order."""
        return tuple(figure.name for figure in self.figures)

    @property
    def values(self) -> Floats:
        """Return the figures' values, of shape (N,), each in its unit."""
        return np.array([figure.value for figure in self.figures])

    def stated(self) -> Doubts:
        """Return the figures whose doubt somebody stated or a fit found, all others being taken as sure."""
        kept = [n for n, figure in enumerate(self.figures) if figure.source in ("fit", "stated")]
        return Doubts(
            figures=tuple(self.figures[n] for n in kept),
            covariance=tuple(tuple(self.covariance[n][m] for m in kept) for n in kept),
        )

    def notices(
        self, of: Collection[str] | None = None, *, system: UnitSystem | None = None
    ) -> tuple[Notice, ...]:
        """Return what a reader must know of where the doubts come from, of the named figures or all."""
        assumed = [
            figure
            for figure in self.figures
            if figure.source == "assumed" and figure.u > 0 and (of is None or figure.name in of)
        ]
        if not assumed:
            return ()
        reader = system or unit_system("mm")
        named = ", ".join(f"{figure.words} ({_plus_minus(figure, reader)})" for figure in assumed)
        return (
            Notice(
                code="assumed-doubt",
                message=f"Assumed doubt, common practice without a source, since none is stated: {named}.",
            ),
        )


def _plus_minus(figure: Figure, system: UnitSystem) -> str:
    scales = {
        "mm": (system.per_mm, system.length),
        "cm3": (1.0, "cm3") if system.name == "mm" else (1000 * system.per_mm**3, system.volume),
    }
    factor, sign = scales.get(figure.unit, (1.0, figure.unit))
    return f"±{COVERAGE * figure.u * factor:.2g}{f' {sign}' if sign else ''}"


def doubts_of(build: Build) -> Doubts:
    """Return the figures that a build's results lean on, with their doubts.

    Parameters
    ----------
    build : Build
        Of `portmap.shopwork`: engine, heights of the ports, outlines where known.

    Returns
    -------
    Doubts
        Without the figures that nobody knows.

    Raises
    ------
    QuantityError
        If the engine's doubt is no covariance.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.shopwork import Build
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61)
    >>> [(figure.name, figure.u) for figure in doubts_of(Build(engine=engine, edges=())).figures][:3]
    [('bore_mm', 0.01), ('stroke_mm', 0.01), ('rod_mm', 0.01)]
    """
    figures = tuple(_figures(build))
    matrix = np.diag([figure.u**2 for figure in figures])
    place = {figure.name: number for number, figure in enumerate(figures)}
    for roof, floor in _outline_ends(figures):
        together = figures[place[roof]].u * figures[place[floor]].u
        matrix[place[roof], place[floor]] = matrix[place[floor], place[roof]] = together
    said = build.engine.doubt
    if said is not None:
        here = [place[name] for name in said.figures if name in place]
        there = [number for number, name in enumerate(said.figures) if name in place]
        table = np.asarray(said.covariance, np.float64).reshape(len(said.figures), -1)
        matrix[np.ix_(here, here)] = table[np.ix_(there, there)]
        matrix = checked_covariance(matrix)
    return Doubts(figures=figures, covariance=tuple(tuple(row) for row in matrix.tolist()))


def _outline_ends(figures: Sequence[Figure]) -> Iterator[tuple[str, str]]:
    """Return the names of roof and floor of each outline whose heights no fit has touched."""
    own = {figure.name for figure in figures if figure.traced_u is not None and figure.source != "fit"}
    for roof in own:
        floor = roof.replace("roof_mm:", "floor_mm:", 1)
        if roof.startswith("roof_mm:") and floor in own:
            yield roof, floor


def _figures(build: Build) -> Iterator[Figure]:
    engine, said = build.engine, build.engine.doubt
    guess = assumptions()
    for name, (kind, words) in READ_AS.items():
        tool = READING_KINDS[kind].tool
        value = getattr(engine.crank if name in ("stroke_mm", "rod_mm", "pin_offset_mm") else engine, name)
        if value is None:
            continue
        u = tool_doubt(tools()[tool])
        if name == "rod_mm" and engine.crank.rod_assumed:
            u = guess.rod_ratio_u * engine.crank.stroke_mm
        elif name == "pin_offset_mm" and value == 0:
            u = guess.pin_offset_u_mm
        elif name == "base_gasket_mm" and value == 0:
            u = 0.0  # where there is none it has no thickness to misread
        elif any(told.startswith(f"{words} ") for told in engine.assumed):  # as `engine_of` words it
            u = guess.figure_share_u * abs(value)
        fitted = None if said is None else said.u(name)
        yield Figure(
            name=name,
            words=words,
            value=float(value),
            u=u if fitted is None else fitted,
            unit="cm³" if name.endswith("cm3") else "mm",
            source="assumed" if fitted is None else "fit",
            tool=tool,
        )
    yield from _heights(build)
    outlined = () if build.port_map is None else build.port_map.ports
    if outlined:
        bare = any(window.doubt is None for port in outlined for window in port.windows)
        yield Figure(
            name=SIZE,
            words="size of the outlines",
            value=0.0,
            u=1.0,
            unit="",
            source="assumed" if bare else "stated",
            traced_u=1.0,
        )
    if engine.head_volume_cm3 is not None:
        low, high = EXPONENTS
        yield Figure(
            name=EXPONENT,
            words="exponent of squeezing",
            value=(low + high) / 2,
            u=(high - low) / math.sqrt(12),
            unit="",
            source="range",
        )


def _heights(build: Build) -> Iterator[Figure]:
    said = build.engine.doubt
    outlined = set() if build.port_map is None else {port.id for port in build.port_map.ports}
    for edges in build.edges:
        ends = (("roof", edges.roof_mm, edges.roof_u_mm), ("floor", edges.floor_mm, edges.floor_u_mm))
        for end, height, stated in ends:
            if height is None:
                continue
            tool = READING_KINDS[HEIGHTS[end]].tool
            name = f"{end}_mm:{edges.id}"
            drawn = edges.id in outlined
            usual = assumptions().outline_u_mm if drawn else tool_doubt(tools()[tool])
            fitted = None if said is None else said.u(name)
            own = usual if stated is None else stated
            source: Source = "assumed" if stated is None else "stated"
            yield Figure(
                name=name,
                words=f"{end} of {edges.id}",
                value=height,
                u=own if fitted is None else fitted,
                unit="mm",
                source=source if fitted is None else "fit",
                tool=None if drawn else tool,
                traced_u=own if drawn else None,
            )


def relative_area_u(port: Port) -> float:
    """Return the standard uncertainty of a port's wall area, over that area.

    Parameters
    ----------
    port : Port

    Returns
    -------
    float
        [-]. A window without a stated doubt counts as a rectangle of its area and height whose four sides
        are each off by the assumed doubt of an outline.

    Examples
    --------
    >>> from portmap.port import Window, WindowDoubt, window_polygon
    >>> doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.01, wall_area_u_mm2=0.4, edge_u_mm=0.02)
    >>> shape = window_polygon([[0, 30], [10, 30], [10, 38], [0, 38]])
    >>> windows = (Window(outline=shape, doubt=doubt),)
    >>> relative_area_u(Port(id="t", kind="transfer", control="crown", windows=windows))
    0.005
    """
    off = area = 0.0
    for window in port.windows:
        size = float(window.outline.area)
        area += size
        if window.doubt is not None:
            off += window.doubt.wall_area_u_mm2
        else:
            height = float(window.outline.bounds[3] - window.outline.bounds[1])
            off += assumptions().outline_u_mm * math.sqrt(2 * (height**2 + (size / height) ** 2))
    return off / area


def drawn_values(doubts: Doubts, count: int, seed: int) -> Floats:
    """Return values of all figures, drawn at random.

    Parameters
    ----------
    doubts : Doubts
    count : int
        How many draws.
    seed : int
        The same seed gives the same draws.

    Returns
    -------
    ndarray of shape (N, count)
        One row for each figure, each in its unit: jointly normal, but for a range, which is rectangular.

    Raises
    ------
    QuantityError
        If there are no draws.

    Examples
    --------
    >>> figure = Figure(name="bore_mm", words="bore", value=46.0, u=0.01, unit="mm", source="stated")
    >>> drawn = drawn_values(Doubts(figures=(figure,), covariance=((1e-4,),)), 1000, 1)
    >>> drawn.shape, round(float(drawn.std()), 3)
    ((1, 1000), 0.01)
    """
    ranges = [number for number, figure in enumerate(doubts.figures) if figure.source == "range"]
    joint = [number for number in range(len(doubts.figures)) if number not in ranges]
    matrix = np.asarray(doubts.covariance).reshape(len(doubts.figures), -1)[np.ix_(joint, joint)]
    inputs: list[Distribution] = [
        Joint(
            means=tuple(doubts.values[joint].tolist()),
            covariance=tuple(tuple(row) for row in matrix.tolist()),
        )
    ]
    for number in ranges:
        figure = doubts.figures[number]
        half = figure.u * math.sqrt(3)
        inputs.append(Rectangular(low=figure.value - half, high=figure.value + half))
    found = draws(inputs, count, np.random.default_rng(seed))
    ordered = np.empty_like(found)
    ordered[[*joint, *ranges]] = found
    return ordered
