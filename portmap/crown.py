"""The crown's shape as a solid of revolution: domes, dishes and what a cut takes off them.

A profile is a line of (r, z) points in mm from the axis outward: r from the bore's axis, z above the crown
edge, minus for a dish. Straight lines join the points, so a volume is an exact sum over conical frustums,
with no step width and no error of its own. A step is two points of one r.

Glossary
--------
crown edge
    The timing edge at the rim, z = 0.
rim
    The outer ring of the crown, under the squish band.
rim cut
    Turning the rim lower, timing edge with it, while a dome inside it stays.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from portmap.errors import GeometryError

__all__ = [
    "cone_profile",
    "crown_height_mm",
    "crown_profile",
    "crown_volume_cm3",
    "cut_profile",
    "removed_volume_cm3",
    "revolved_volume_cm3",
    "rim_cut_volume_cm3",
    "spherical_profile",
]

Floats = NDArray[np.float64]
Profile = Sequence[tuple[float, float]]

MM3_PER_CM3 = 1000.0


def crown_profile(profile_mm: Profile) -> Floats:
    """Return a profile as an array, checked.

    Parameters
    ----------
    profile_mm : sequence of (float, float)
        Radius and height above the crown edge [mm], from the axis outward.

    Returns
    -------
    ndarray of shape (N, 2)
        The same [mm].

    Raises
    ------
    GeometryError
        If there are fewer than two points, one is not a number, the first is not on the axis, or a radius is
        less than the one before.

    Examples
    --------
    >>> crown_profile([(0, 2), (15, 0), (10, 0)])
    Traceback (most recent call last):
    portmap.errors.GeometryError: crown_profile_mm[2]: radius 10 mm comes after 15 mm; list ...
    """
    points = np.asarray([tuple(point) for point in profile_mm], np.float64)
    remedy = "list the points from the axis outward"
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 2:
        raise GeometryError(
            "a profile needs two points or more, each a radius and a height",
            where="crown_profile_mm",
            remedy=remedy,
        )
    for number, (radius, height) in enumerate(points):
        where = f"crown_profile_mm[{number}]"
        if not (np.isfinite(radius) and np.isfinite(height)):
            raise GeometryError("a radius or height is not a number", where=where, remedy="measure it again")
        if number == 0 and radius != 0:
            raise GeometryError(
                f"the first radius is {radius:g} mm, not 0", where=where, remedy="begin on the axis"
            )
        if number and radius < points[number - 1, 0]:
            raise GeometryError(
                f"radius {radius:g} mm comes after {points[number - 1, 0]:g} mm", where=where, remedy=remedy
            )
    return points


def crown_volume_cm3(profile_mm: Profile) -> float:
    """Return the volume of the crown above the level of its edge.

    2π∫ r·z dr, exact for straight lines between the points.

    Parameters
    ----------
    profile_mm : sequence of (float, float)
        As in `crown_profile`; beyond the last point the crown is level with its edge.

    Returns
    -------
    float
        Volume [cm³]; what a dish holds counts as minus.

    Raises
    ------
    GeometryError
        As `crown_profile`.

    References
    ----------
    .. [1] Sum of ring-shaped frustums; Pappus's theorem.

    Examples
    --------
    >>> round(crown_volume_cm3([(0, 3), (20, 0)]), 4)  # a cone: π·20²·3/3 mm³
    1.2566
    """
    return _under(crown_profile(profile_mm))


def revolved_volume_cm3(section_mm: Profile) -> float:
    """Return the volume of a ring whose section is a closed polygon.

    2π·(area of the section)·(radius of its centroid).

    Parameters
    ----------
    section_mm : sequence of (float, float)
        Corners (r, z) of the section on one side of the axis, in either sense, at least three [mm].

    Returns
    -------
    float
        Volume [cm³], not below 0.

    Raises
    ------
    GeometryError
        If there are fewer than three corners, one is not a number, or the section crosses the axis.

    References
    ----------
    .. [1] Pappus's second theorem.

    Examples
    --------
    >>> round(revolved_volume_cm3([(18, 0), (23, 0), (23, 1), (18, 1)]), 4)  # π·(23² − 18²)·1 mm³
    0.644
    """
    corners = np.asarray([tuple(point) for point in section_mm], np.float64)
    if corners.ndim != 2 or corners.shape[1:] != (2,) or len(corners) < 3 or not np.isfinite(corners).all():
        raise GeometryError(
            "a section needs three corners or more, each a radius and a height",
            where="section",
            remedy="list its corners in turn",
        )
    if corners[:, 0].min() < 0:
        raise GeometryError(
            f"the section reaches {-corners[:, 0].min():g} mm across the axis",
            where="section",
            remedy="give the half on one side",
        )
    return abs(_under(np.vstack([corners, corners[:1]])))


def crown_height_mm(profile_mm: Profile) -> float:
    """Return how far the crown stands above its edge at its highest.

    Parameters
    ----------
    profile_mm : sequence of (float, float)
        As in `crown_profile`.

    Returns
    -------
    float
        Height [mm], not below 0: the edge itself.

    Raises
    ------
    GeometryError
        As `crown_profile`.

    Examples
    --------
    >>> crown_height_mm([(0, 3), (20, 0)]), crown_height_mm([(0, -2), (20, 0)])
    (3.0, 0.0)
    """
    return max(0.0, float(crown_profile(profile_mm)[:, 1].max()))


def cut_profile(
    profile_mm: Profile, bore_mm: float, depth_mm: float, *, inner_radius_mm: float = 0.0
) -> tuple[tuple[float, float], ...]:
    """Return the profile after a level cut of the rim, heights still above the old edge.

    Everything above −depth from the inner radius outward is turned away; a dish deeper than that stays.

    Parameters
    ----------
    profile_mm : sequence of (float, float)
        As in `crown_profile`; empty for a flat crown.
    bore_mm : float
        Bore [mm]; the crown is taken to reach its wall.
    depth_mm : float
        Below the old crown edge [mm].
    inner_radius_mm : float, optional
        Where the cut ends [mm]; 0 cuts the whole crown.

    Returns
    -------
    tuple of (float, float)
        The new profile [mm], its edge at −depth; add the depth to count from the new edge.

    Raises
    ------
    GeometryError
        As `crown_profile`; if the depth is below 0 or the inner radius not within the bore.

    Examples
    --------
    >>> cut_profile([], 46, 0.5, inner_radius_mm=18)
    ((0.0, 0.0), (18.0, 0.0), (18.0, -0.5), (23.0, -0.5))
    """
    points = _to_the_wall(profile_mm, bore_mm)
    radius = bore_mm / 2
    if not 0 <= depth_mm < np.inf:
        raise GeometryError(f"{depth_mm:g} mm is not a cut", where="cut_crown", remedy="give 0 or more")
    if not 0 <= inner_radius_mm < radius:
        raise GeometryError(
            f"an inner radius of {inner_radius_mm:g} mm leaves no rim in a bore of {bore_mm:g} mm",
            where="cut_crown",
            remedy=f"give one below {radius:g} mm",
        )
    inner_radius = float(inner_radius_mm)
    kept = [(float(r), float(z)) for r, z in points if r < inner_radius]
    # at a step of the profile the dome ends at its inner height, and the rim begins at its outer one
    steps = [float(z) for r, z in points if r == inner_radius]
    steps = steps or [float(np.interp(inner_radius, points[:, 0], points[:, 1]))]
    outside = [(inner_radius, steps[-1]), *((float(r), float(z)) for r, z in points if r > inner_radius)]
    floor: list[tuple[float, float]] = []
    for place, (r, z) in enumerate(outside):
        if place:
            crossing = _crossing(outside[place - 1], (r, z), -depth_mm)
            if crossing is not None:
                floor.append((crossing, -depth_mm))
        floor.append((r, min(z, -depth_mm)))
    inner = [(inner_radius, steps[0])] if inner_radius > 0 else []
    return tuple(_without_repeats([*kept, *inner, *floor]))


def rim_cut_volume_cm3(
    profile_mm: Profile, bore_mm: float, depth_mm: float, *, inner_radius_mm: float = 0.0
) -> float:
    """Return the metal that a level cut of the rim takes: what the head volume gains.

    Parameters
    ----------
    profile_mm, bore_mm, depth_mm, inner_radius_mm
        As in `cut_profile`.

    Returns
    -------
    float
        Volume [cm³].

    Raises
    ------
    GeometryError
        As `cut_profile`.

    Examples
    --------
    >>> round(rim_cut_volume_cm3([], 46, 0.5, inner_radius_mm=18), 4)  # π·(23² − 18²)·0.5 mm³
    0.322
    """
    after = cut_profile(profile_mm, bore_mm, depth_mm, inner_radius_mm=inner_radius_mm)
    return removed_volume_cm3(_to_the_wall(profile_mm, bore_mm).tolist(), after)


def removed_volume_cm3(before_mm: Profile, after_mm: Profile) -> float:
    """Return the metal between two profiles: of a crown before and after, or of a band.

    Parameters
    ----------
    before_mm, after_mm : sequence of (float, float)
        As in `crown_profile`, from one level [mm].

    Returns
    -------
    float
        Volume [cm³]; minus where metal was added.

    Raises
    ------
    GeometryError
        As `crown_profile`.

    Examples
    --------
    >>> round(removed_volume_cm3([(0, 0), (23, 0)], [(0, 0), (18, 0), (23, -0.5)]), 4)  # a tapered band
    0.1676
    """
    return _under(crown_profile(before_mm)) - _under(crown_profile(after_mm))


def cone_profile(rim_radius_mm: float, height_mm: float) -> tuple[tuple[float, float], ...]:
    """Return the profile of a conical crown.

    Parameters
    ----------
    rim_radius_mm : float
        Where the cone meets the edge's level [mm].
    height_mm : float
        Of its tip above that, minus for a dish [mm].

    Returns
    -------
    tuple of (float, float)

    Examples
    --------
    >>> cone_profile(20, 3)
    ((0.0, 3.0), (20.0, 0.0))
    """
    return ((0.0, float(height_mm)), (float(rim_radius_mm), 0.0))


def spherical_profile(
    rim_radius_mm: float, height_mm: float, *, points: int = 201
) -> tuple[tuple[float, float], ...]:
    """Return the profile of a domed or dished crown, a part of a sphere, as chords.

    Parameters
    ----------
    rim_radius_mm : float
        Where the dome meets the edge's level [mm].
    height_mm : float
        Of its top above that, minus for a dish [mm].
    points : int, optional
        How many; with 201 the chords lose about a hundred-thousandth of the volume.

    Returns
    -------
    tuple of (float, float)

    Raises
    ------
    GeometryError
        If the rim is not above 0, or the height is 0 or more than the rim's radius.

    Examples
    --------
    >>> spherical_profile(20, 3)[0], round(crown_volume_cm3(spherical_profile(20, 3)), 3)
    ((0.0, 3.0), 1.899)
    """
    if not (rim_radius_mm > 0 and 0 < abs(height_mm) <= rim_radius_mm):
        raise GeometryError(
            f"no dome {height_mm:g} mm high stands on a rim of {rim_radius_mm:g} mm radius",
            where="crown_profile_mm",
            remedy="give a height above 0 and not beyond the radius, minus for a dish",
        )
    rise = abs(height_mm)
    sphere = (rim_radius_mm**2 + rise**2) / (2 * rise)
    half_angle = np.arcsin(min(rim_radius_mm / sphere, 1.0))
    angles = np.linspace(0.0, half_angle, points)
    heights = np.copysign(sphere * np.cos(angles) - (sphere - rise), height_mm)
    heights[-1] = 0.0
    return tuple(zip((sphere * np.sin(angles)).tolist(), heights.tolist(), strict=True))


def _under(points: Floats) -> float:
    """Return 2π∫ r·z dr along a line of straight pieces [cm³]."""
    r, z = points[:, 0], points[:, 1]
    # r and z both run straight over a piece, so Simpson's rule is exact
    pieces = np.diff(r) * (r[:-1] * (2 * z[:-1] + z[1:]) + r[1:] * (z[:-1] + 2 * z[1:])) / 6
    return float(2 * np.pi * pieces.sum() / MM3_PER_CM3)


def _to_the_wall(profile_mm: Profile, bore_mm: float) -> Floats:
    if not 0 < bore_mm < np.inf:
        raise GeometryError(f"{bore_mm:g} mm is not a bore", where="bore_mm", remedy="measure it again")
    radius = bore_mm / 2
    if not len(profile_mm):
        return np.array([[0.0, 0.0], [radius, 0.0]])
    points = crown_profile(profile_mm)
    if points[-1, 0] > radius:
        raise GeometryError(
            f"radius {points[-1, 0]:g} mm is outside a bore of {bore_mm:g} mm",
            where=f"crown_profile_mm[{len(points) - 1}]",
            remedy="give radii from the axis, not diameters",
        )
    level = [] if points[-1, 1] == 0 else [[points[-1, 0], 0.0]]
    wall = [] if points[-1, 0] == radius else [[radius, 0.0]]
    return np.vstack([points, *(np.array([row]) for row in (*level, *wall))])


def _crossing(first: tuple[float, float], second: tuple[float, float], level: float) -> float | None:
    """Return the radius at which a piece passes a level on its way, None if it does not."""
    (r1, z1), (r2, z2) = first, second
    if (z1 - level) * (z2 - level) >= 0:
        return None
    return r1 + (r2 - r1) * (level - z1) / (z2 - z1)


def _without_repeats(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    return [point for place, point in enumerate(points) if place == 0 or point != points[place - 1]]
