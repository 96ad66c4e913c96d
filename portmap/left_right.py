"""Left against right: windows that face each other across the exhaust centre line.

A difference is right minus left; left is where x is below 0, as seen from the bore axis. Both doubts of a
pair count as if they were independent. Windows lifted in one picture share a datum, so that the doubt of
their difference is rather too large than too small.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from portmap.change import Change, area_change, changed, floor_change, roof_change, width_change
from portmap.edge_distance import edge_apart
from portmap.matching import at_turn
from portmap.port import PortMap, mirrored_pairs, mirrored_window

__all__ = ["PairDifference", "pair_differences"]


@dataclass(frozen=True, kw_only=True, slots=True)
class PairDifference:
    """Right against left; in each change a is the left one and b the right one.

    Parameters
    ----------
    left, right : str
        Names of the ports.
    left_window, right_window : int
        Numbers of the windows in them.
    roof_mm, floor_mm, width_arc_mm, wall_area_mm2 : Change
        [mm], [mm²].
    offset_mm : Change
        How far the window's middle stands from the exhaust centre line [mm].
    hausdorff_mm : float
        Of one edge to the other one's mirror image [mm].
    """

    left: str
    right: str
    left_window: int
    right_window: int
    roof_mm: Change
    floor_mm: Change
    width_arc_mm: Change
    wall_area_mm2: Change
    offset_mm: Change
    hausdorff_mm: float


def pair_differences(port_map: PortMap, bore_mm: float) -> tuple[PairDifference, ...]:
    """Return how the windows of a map differ that face each other.

    Parameters
    ----------
    port_map : PortMap
    bore_mm : float
        Bore [mm].

    Returns
    -------
    tuple of PairDifference
        In the order of `mirrored_pairs`: the best match first.

    Examples
    --------
    >>> import shapely
    >>> from portmap.port import Port, Window
    >>> windows = tuple(Window(outline=shapely.box(*box)) for box in ((-30, 20, -20, 30), (20, 20, 30, 30.2)))
    >>> port = Port(id="t", kind="transfer", control="crown", windows=windows)
    >>> round(pair_differences(PortMap(stage="ground", ports=(port,)), 46.0)[0].roof_mm.change, 6)
    0.2
    """
    return tuple(_differences(port_map, math.pi * bore_mm, bore_mm))


def _differences(port_map: PortMap, round_mm: float, bore_mm: float) -> Iterator[PairDifference]:
    ports = {port.id: port for port in port_map.ports}
    for left_id, left_number, right_id, right_number in mirrored_pairs(port_map, bore_mm):
        windows = (ports[left_id].windows[left_number], ports[right_id].windows[right_number])
        left, right = (
            replace(ports[name], windows=(window,))
            for name, window in zip((left_id, right_id), windows, strict=True)
        )
        edge_u = [None if window.doubt is None else window.doubt.edge_u_mm for window in windows]
        offsets = [abs(_middle(at_turn(window.outline, 0.0, round_mm).bounds)) for window in windows]
        image = at_turn(mirrored_window(windows[0]).outline, _middle(windows[1].outline.bounds), round_mm)
        yield PairDifference(
            left=left_id,
            right=right_id,
            left_window=left_number,
            right_window=right_number,
            roof_mm=roof_change(left, right),
            floor_mm=floor_change(left, right),
            width_arc_mm=width_change(left, right),
            wall_area_mm2=area_change(left, right),
            offset_mm=changed(offsets[0], offsets[1], edge_u[0], edge_u[1]),
            hausdorff_mm=edge_apart(image, windows[1].outline).hausdorff_mm,
        )


def _middle(bounds: tuple[float, float, float, float]) -> float:
    return (bounds[0] + bounds[2]) / 2
