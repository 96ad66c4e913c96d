"""Windows, ports and port maps in the bore frame.

The frame is the casting's own: x [mm] runs along the wall around the bore, 0 at the exhaust centre
line, to the right as seen from the bore axis; it wraps, so that x and x + π·bore are one place. y [mm]
is the height above the base face, toward the head.

Glossary
--------
window
    One opening in the wall: a shapely polygon on the developed wall. Its holes are metal (islands).
port
    One or several windows that serve one purpose; metal between two of them is a bridge.
roof, floor
    A window's greatest and least y.
control
    The piston edge that opens and closes the port: crown, skirt, a pocket in the skirt, or none.
stage
    Whether a map shows the cylinder as it came (stock), as wished (proposed) or as cut (ground).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import Polygon
from shapely.affinity import scale as _scaled
from shapely.affinity import translate as _moved

from portmap.errors import GeometryError

__all__ = [
    "Control",
    "Kind",
    "Pocket",
    "Port",
    "PortMap",
    "Stage",
    "Window",
    "WindowDoubt",
    "centre_x",
    "chord_width",
    "floor_of",
    "join_across_wrap",
    "mirrored_pairs",
    "mirrored_window",
    "roof_of",
    "turned_window",
    "wall_area",
    "window_polygon",
]

Kind = Literal["exhaust", "transfer", "boost", "intake", "strato", "other"]
Control = Literal["crown", "skirt", "pocket", "none"]
Stage = Literal["stock", "proposed", "ground"]

USUAL_CONTROL: dict[Kind, Control] = {
    "exhaust": "crown",
    "transfer": "crown",
    "boost": "crown",
    "intake": "skirt",
    "strato": "pocket",
    "other": "crown",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class WindowDoubt:
    """Standard uncertainties (k = 1) of a traced or measured window.

    Parameters
    ----------
    roof_u_mm, floor_u_mm : float
        Of the heights of roof and floor [mm], datum included.
    wall_area_u_mm2 : float
        Of the wall area [mm²].
    edge_u_mm : float
        Of the place of a single outline point, square to the edge [mm].
    """

    roof_u_mm: float
    floor_u_mm: float
    wall_area_u_mm2: float
    edge_u_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Window:
    """One opening in the bore wall.

    Parameters
    ----------
    outline : shapely.Polygon
        On the developed wall, bore frame [mm], exterior anticlockwise. Make it with `window_polygon`.
    doubt : WindowDoubt or None
        How sure the outline is; None if nobody said.
    """

    outline: Polygon
    doubt: WindowDoubt | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Pocket:
    """A recess in the skirt that joins an air channel to the transfers while it passes the window.

    Parameters
    ----------
    top_below_crown_mm, bottom_below_crown_mm : float
        Depths of the recess's upper and lower edge below the crown edge [mm].
    """

    top_below_crown_mm: float
    bottom_below_crown_mm: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Port:
    """Windows that serve one purpose.

    Parameters
    ----------
    id : str
        The port's name in its map.
    kind : {'exhaust', 'transfer', 'boost', 'intake', 'strato', 'other'}
    control : {'crown', 'skirt', 'pocket', 'none'}
    windows : tuple of Window
        At least one.
    tilt_deg : float or None
        Angle between the passage and the window's radial direction [deg]; None if unknown.
    pocket : Pocket or None
        Needed when `control` is 'pocket'.
    kind_guessed : bool
        Whether the kind was guessed from the position and not stated by the user.
    """

    id: str
    kind: Kind
    control: Control
    windows: tuple[Window, ...]
    tilt_deg: float | None = None
    pocket: Pocket | None = None
    kind_guessed: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class PortMap:
    """All ports of a cylinder at one stage.

    Parameters
    ----------
    stage : {'stock', 'proposed', 'ground'}
    ports : tuple of Port
    """

    stage: Stage
    ports: tuple[Port, ...]
