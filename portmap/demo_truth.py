"""The demo's figures beside the true ones, which are known since the samples are made up.

Glossary
--------
inside
    The true figure lies within the doubt (k = 2) stated with the measured one; some 95 of 100 should.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from portmap.errors import PortmapError
from portmap.shown import COVERAGE

if TYPE_CHECKING:
    from portmap.engine import Engine
    from portmap.picture.traced import Trace, TracedWindow
    from portmap.port import PortMap
    from portmap.samples import SampleWindow

__all__ = [
    "COMPARED_RPM",
    "Comparison",
    "check_not_broken",
    "compared_window",
    "figure_comparisons",
    "window_comparisons",
]

COMPARED_RPM = 9000.0

# Five times what a flat photo is to reach: beyond it something is broken, not just unlucky.
BROKEN_MM = 0.1
BROKEN_SHARE = 0.0075


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparison:
    """A measured figure beside the true one.

    Parameters
    ----------
    photo : str
        The photograph it comes from.
    port : str
        The window or span it is about.
    figure : str
        What it is, its unit at the end: ``roof_mm``.
    measured, u, true : float
        Measured value, its standard uncertainty (k = 1), true value.
    """

    photo: str
    port: str
    figure: str
    measured: float
    u: float
    true: float

    @property
    def inside(self) -> bool:
        """Return whether the true figure lies within the doubt (k = 2)."""
        return abs(self.measured - self.true) <= COVERAGE * self.u

    def as_dict(self) -> dict[str, Any]:
        """Return the comparison as JSON holds it."""
        return {
            "photo": self.photo,
            "port": self.port,
            "figure": self.figure,
            "measured": self.measured,
            "u": self.u,
            "true": self.true,
            "off": self.measured - self.true,
            "inside": self.inside,
        }


def window_comparisons(photo: str, trace: Trace, windows: tuple[SampleWindow, ...]) -> list[Comparison]:
    """Return roofs, floors and wall areas of traced windows beside the true ones.

    Parameters
    ----------
    photo : str
        The photograph's name.
    trace : Trace
        From that photo, all windows in it.
    windows : tuple of SampleWindow
        The true ones, from left to right.

    Returns
    -------
    list of Comparison
        Three for each window; [mm] and [mm²].

    Raises
    ------
    PortmapError
        If a traced window has no doubt.
    """
    return [
        each
        for measured, known in zip(trace.windows, windows, strict=True)
        for each in compared_window(photo, measured, known)
    ]


def compared_window(photo: str, measured: TracedWindow, known: SampleWindow) -> list[Comparison]:
    """Return roof, floor and wall area of one traced window beside the true ones.

    Parameters
    ----------
    photo : str
        The photograph's name.
    measured : TracedWindow
    known : SampleWindow
        The true one.

    Returns
    -------
    list of Comparison
        Three; [mm] and [mm²].

    Raises
    ------
    PortmapError
        If the traced window has no doubt.
    """
    doubt, true = measured.window.doubt, known.window.outline
    if doubt is None:
        raise PortmapError("a traced window has no doubt", where=photo, remedy="report this")
    return [
        Comparison(photo=photo, port=known.id, figure=figure, measured=value, u=u, true=float(truth))
        for figure, value, u, truth in (
            ("roof_mm", measured.roof_mm, doubt.roof_u_mm, true.bounds[3]),
            ("floor_mm", measured.floor_mm, doubt.floor_u_mm, true.bounds[1]),
            ("wall_area_mm2", measured.area_mm2, doubt.wall_area_u_mm2, true.area),
        )
    ]


def figure_comparisons(
    photo: str, engine: Engine, port_map: PortMap, windows: tuple[SampleWindow, ...]
) -> list[Comparison]:
    """Return timings and time-areas of the measured ports beside those of the true ones.

    Parameters
    ----------
    photo : str
        The photograph's name.
    engine : Engine
        The same for both.
    port_map : PortMap
        As measured, its ports named like the true windows.
    windows : tuple of SampleWindow
        The true ones.

    Returns
    -------
    list of Comparison
        Where each port opens and the blowdown [deg]; each span's time-area at `COMPARED_RPM` [mm²·s].
    """
    from portmap.figures import timearea_document, timing_document
    from portmap.port import USUAL_CONTROL, Port, PortMap

    truth = PortMap(
        stage="stock",
        ports=tuple(
            Port(id=known.id, kind=known.kind, control=USUAL_CONTROL[known.kind], windows=(known.window,))
            for known in windows
        ),
    )
    timings = [timing_document(engine, ports) for ports in (port_map, truth)]
    spans = [timearea_document(engine, ports, (COMPARED_RPM,))["spans"] for ports in (port_map, truth)]
    true_ports = {port["id"]: port for port in timings[1]["ports"]}
    true_spans = {span["span"]: span for span in spans[1]}
    found = [
        Comparison(
            photo=photo,
            port=port["id"],
            figure="opens_deg",
            measured=port["opens_deg"],
            u=port["opens_u_deg"],
            true=true_ports[port["id"]]["opens_deg"],
        )
        for port in timings[0]["ports"]
    ]
    found.append(
        Comparison(
            photo=photo,
            port="blowdown",
            figure="blowdown_deg",
            measured=timings[0]["blowdown_deg"],
            u=timings[0]["blowdown_u_deg"],
            true=timings[1]["blowdown_deg"],
        )
    )
    found += [
        Comparison(
            photo=photo,
            port=span["span"],
            figure="time_area_mm2_s",
            measured=span["time_area_mm2_s"],
            u=span["time_area_u_mm2_s"],
            true=true_spans[span["span"]]["time_area_mm2_s"],
        )
        for span in spans[0]
    ]
    return found


def check_not_broken(comparisons: list[Comparison]) -> None:
    """Refuse figures so far off that chance cannot be the cause.

    Parameters
    ----------
    comparisons : list of Comparison
        Roofs and floors may be off by `BROKEN_MM`, wall areas by `BROKEN_SHARE`.

    Raises
    ------
    PortmapError
        With the first figure that is further off.

    Examples
    --------
    >>> far = Comparison(photo="a.jpg", port="e", figure="roof_mm", measured=38.8, u=0.01, true=38.6)
    >>> check_not_broken([far])
    Traceback (most recent call last):
    portmap.errors.PortmapError: a.jpg: roof_mm of e came out +0.200 from the truth; something in this ...
    """
    for each in comparisons:
        limit = {"roof_mm": BROKEN_MM, "floor_mm": BROKEN_MM, "wall_area_mm2": BROKEN_SHARE * each.true}
        off = each.measured - each.true
        if not abs(off) <= limit.get(each.figure, abs(off)):
            raise PortmapError(
                f"{each.figure} of {each.port} came out {off:+.3f} from the truth",
                where=each.photo,
                remedy="something in this installation is broken: run the tests, and report it",
            )
