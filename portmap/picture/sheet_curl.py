"""How a lifted sheet's own thickness shortens what it shows.

A sheet of thickness t lies against a wall of radius R, so that its middle, which keeps its length when
the sheet is flattened, lay at radius R − t/2. What spans R·φ of wall spans (R − t/2)·φ of flat sheet,
on either face. Heights along the bore are not changed.
"""

from __future__ import annotations

from portmap.errors import QuantityError

__all__ = ["wall_x_factor"]


def wall_x_factor(bore_mm: float, sheet_thickness_mm: float) -> float:
    """Return what x on the flattened sheet is to be multiplied by to be x on the wall.

    R / (R − t/2) with R half the bore; plane geometry of a sheet bent without stretching its middle.

    Parameters
    ----------
    bore_mm : float
        Diameter of the bore [mm].
    sheet_thickness_mm : float
        Thickness of the sheet [mm], 0 for none.

    Returns
    -------
    float
        At least 1.

    Raises
    ------
    QuantityError
        If the bore is not above 0, or the thickness is below 0 or over a tenth of the bore.

    Examples
    --------
    >>> round(wall_x_factor(46.0, 0.1), 5)
    1.00218
    """
    if not 0.0 < bore_mm < float("inf"):
        raise QuantityError(f"{bore_mm:g} mm is no bore", where="bore_mm", remedy="give the bore's diameter")
    if not 0.0 <= sheet_thickness_mm <= bore_mm / 10:
        raise QuantityError(
            f"{sheet_thickness_mm:g} mm is no thickness for a sheet in a bore of {bore_mm:g} mm",
            where="sheet_thickness_mm",
            remedy="give 0 to a tenth of the bore; office paper is about 0.1 mm",
        )
    radius = bore_mm / 2
    return radius / (radius - sheet_thickness_mm / 2)
