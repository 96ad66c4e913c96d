"""Outlines from a DXF file, read through ezdxf, in millimetres.

Lines, arcs, circles, ellipses, splines and polylines with bulges count, also inside blocks; text, dimensions
and hatches do not. z is left out.
"""

from __future__ import annotations

import io
from itertools import islice

import ezdxf
import ezdxf.path
import numpy as np
from ezdxf import recover, units
from ezdxf.disassemble import recursive_decompose
from ezdxf.enums import InsertUnits

from portmap.errors import Notice, PictureError, QuantityError
from portmap.picture.drawn_curves import CHAIN_LIMIT, POINT_LIMIT, Chain

__all__ = ["dxf_chains"]

CURVES = frozenset({"LINE", "ARC", "CIRCLE", "ELLIPSE", "SPLINE", "LWPOLYLINE", "POLYLINE"})


def dxf_chains(
    data: bytes, name: str, mm_per_unit: float | None, tolerance_mm: float
) -> tuple[list[Chain], float, list[Notice]]:
    """Return the chains of a DXF drawing.

    Parameters
    ----------
    data : bytes
        The file, text or binary.
    name : str
        Its name, for messages.
    mm_per_unit : float or None
        Length of a drawing unit [mm]; None to go by the drawing's own ``$INSUNITS``.
    tolerance_mm : float
        Greatest distance between a curve and its chords [mm].

    Returns
    -------
    chains : list of Chain
    mm_per_unit : float
        Length of a drawing unit [mm].
    notices : list of Notice

    Raises
    ------
    PictureError
        If it is no DXF or holds too much.
    QuantityError
        If it has no unit.
    """
    if not data.strip():  # which the reader takes for a drawing that has all defaults
        raise PictureError("is empty", where=name, remedy="draw each window as one outline")
    try:
        document, _ = recover.read(io.BytesIO(data))
        unit = mm_per_unit or _unit_mm(document.units)
        if unit is None:
            raise QuantityError(
                "does not say its unit ($INSUNITS)",
                where=name,
                remedy="give the length of a unit with --unit",
            )
        chains: list[Chain] = []
        points = 0
        for count, entity in enumerate(islice(recursive_decompose(document.modelspace()), CHAIN_LIMIT + 1)):
            if count == CHAIN_LIMIT or points > POINT_LIMIT:
                raise PictureError(
                    "holds too many curves", where=name, remedy="save only the windows' outlines"
                )
            if entity.dxftype() not in CURVES:
                continue
            path = ezdxf.path.make_path(entity)
            for part in path.sub_paths():
                corners = np.array([(v.x, v.y) for v in part.flattening(tolerance_mm / unit)], np.float64)
                points += len(corners)
                if len(corners) > 1:
                    chains.append(Chain(points_mm=corners * unit, closed=bool(part.is_closed)))
    except (PictureError, QuantityError):
        raise
    except Exception as error:
        said = (str(error) or type(error).__name__).splitlines()[0][:80]
        raise PictureError(
            f"cannot be read as DXF ({said})", where=name, remedy="save it again as DXF R2000 or later"
        ) from None
    return chains, unit, []


def _unit_mm(code: int) -> float | None:
    """Return the length of a DXF unit [mm], None for a drawing without unit."""
    if code == 0:
        return None
    return float(units.conversion_factor(InsertUnits(code), InsertUnits.Millimeters))
