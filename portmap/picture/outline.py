"""Clean outlines from measured edge points: smoothed, roof and floor fitted, simplified.

Millimetres, x to the right, y up. Rings are wound anticlockwise and not closed by a repeated point;
measured points lie about a pixel apart.

The topmost of many noisy points lies above the roof. So the outline is first smoothed along itself, over
as long a stretch as the points allow before they say otherwise, short round corners and long on straights;
then the stretch that makes the roof is replaced by the one curve that fits all of it, level, tilted or
arched, whichever the points ask for. The same is done for the floor.

Glossary
--------
scatter
    Standard deviation of measured points, square to the edge, about the smoothed outline [mm].
kinship
    How many neighbouring points share one error: the sum of the scatter's autocorrelation.
run
    The stretch of outline that makes the roof or the floor, up to where the corners begin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter
from scipy.signal import savgol_coeffs

__all__ = ["Fitted", "Smoothed", "fitted_extreme", "ring_area", "simplified", "smoothed_outline", "with_run"]

HALF_WIDTHS_MM = (0.25, 0.4, 0.6, 0.9, 1.3, 1.9, 2.8, 4.2, 6.3, 9.5)
AGREEMENT = 2.0  # standard errors by which two widths' estimates may differ and still agree
CORNER_PER_MM = 0.10  # a roof never curves more than 1/(10 mm); a corner does
STEEPEST = 0.30  # slope beyond which a stretch is a side and not a roof
SHORTEST_RUN_MM = 1.0
CHORD_MM = 0.5  # half the stretch over which a direction is taken
HIGHEST_DEGREE = 4
HAIR_MM = 0.03  # a corner that stands out by more is a shape of its own


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Smoothed:
    """A smoothed ring and what its points scatter.

    Parameters
    ----------
    ring_mm : ndarray of shape (N, 2)
        Smoothed places (x, y).
    measured_mm : ndarray of shape (N, 2)
        The points as measured.
    normals : ndarray of shape (N, 2)
        Unit normals, outward.
    seen : ndarray of shape (N,) and dtype bool
        Whether the point was measured and not bridged.
    error_mm : ndarray of shape (N,)
        Standard error of each smoothed place, square to the edge.
    scatter_mm : float
    kinship : float
    misfit_mm : ndarray of shape (N,)
        How far what the fit of the edge could not follow may draw each place.
    """

    ring_mm: NDArray[np.float64]
    measured_mm: NDArray[np.float64]
    normals: NDArray[np.float64]
    seen: NDArray[np.bool_]
    error_mm: NDArray[np.float64]
    scatter_mm: float
    kinship: float
    misfit_mm: NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Fitted:
    """A fitted roof or floor.

    Parameters
    ----------
    height_mm : float
        Greatest y of the roof, or least y of the floor.
    at_mm : float
        Its x.
    error_mm : float
        Standard error of the height from the points' scatter.
    run : ndarray of shape (M,) and dtype intp
        Indices of the ring's points that were fitted; empty if no stretch was long enough and the
        smoothed outline itself gave the height.
    run_y_mm : ndarray of shape (M,)
        The fitted curve at these points.
    shares : ndarray of shape (M,)
        How much each point's y counts in the height; they sum to 1.
    degree : int or None
        Of the fitted polynomial: 0 level, 1 tilted, 2 and more arched. None without a run.
    """

    height_mm: float
    at_mm: float
    error_mm: float
    run: NDArray[np.intp]
    run_y_mm: NDArray[np.float64]
    shares: NDArray[np.float64]
    degree: int | None


def spacing_mm(ring: NDArray[np.float64]) -> float:
    """Return how far apart the points of a ring are, on the mean.

    Parameters
    ----------
    ring : ndarray of shape (N, 2)

    Returns
    -------
    float
        [mm].

    Examples
    --------
    >>> spacing_mm(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0]]))
    1.5
    """
    return float(np.mean(np.hypot(*(np.roll(ring, -1, axis=0) - ring).T)))


def ring_area(ring: NDArray[np.float64]) -> float:
    """Return the signed area of a ring, positive if anticlockwise.

    Parameters
    ----------
    ring : ndarray of shape (N, 2)
        Not closed by a repeated point.

    Returns
    -------
    float
        In the square of the ring's unit.

    Examples
    --------
    >>> ring_area(np.array([[0., 0], [14, 0], [14, 10], [0, 10]]))
    140.0
    """
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2.0)


def smoothed_outline(
    measured_mm: NDArray[np.float64],
    normals: NDArray[np.float64],
    seen: NDArray[np.bool_],
    *,
    blur_mm: float = 0.0,
    misfit_mm: NDArray[np.float64] | None = None,
) -> Smoothed:
    """Return the ring smoothed over as long a stretch as its points allow.

    At each point parabolas are fitted over ever longer stretches, centred on it; the longest one counts
    whose estimate agrees with those of all shorter ones [1]_. Parabolas keep arcs in place, so
    that neither corners nor area shrink.

    Blur itself rounds: it draws the half level of a bent edge toward the centre of curvature by
    blur²·curvature/2, which costs any closed outline π·blur² of area. That is given back.

    Parameters
    ----------
    measured_mm : ndarray of shape (N, 2)
        Evenly spaced points of a ring wound anticlockwise.
    normals : ndarray of shape (N, 2)
        Unit normals, outward.
    seen : ndarray of shape (N,) and dtype bool
        Whether the point was measured and not bridged.
    blur_mm : float, optional
        Standard deviation of the blur under which the points were found [mm].
    misfit_mm : ndarray of shape (N,), optional
        Passed on; 0 unless given.

    Returns
    -------
    Smoothed

    References
    ----------
    .. [1] Goldenshluger and Nemirovski, On spatially adaptive estimation of nonparametric regression,
       Math. Methods of Statistics 6 (1997): intersection of confidence intervals. Recalled, not looked up.
    """
    count = len(measured_mm)
    spacing = float(np.mean(np.hypot(*(np.roll(measured_mm, -1, axis=0) - measured_mm).T)))
    base = _parabola(measured_mm, max(2, round(0.5 / spacing)))
    off = np.sum((measured_mm - base) * normals, axis=1)
    spread = 1.4826 * float(np.median(np.abs(off[seen]))) if seen.any() else 0.0
    spread = max(spread, 1e-5)
    held = measured_mm + (np.clip(off, -3.5 * spread, 3.5 * spread) - off)[:, None] * normals
    half = [round(h / spacing) for h in HALF_WIDTHS_MM if 2 <= round(h / spacing) <= count // 8] or [2]
    kinship = _kinship(off[seen])
    scatter = spread / np.sqrt(max(1.0 - kinship * _gain(half[min(2, len(half) - 1)]), 0.3))
    ring, error = _longest_agreeing(held, normals, half, scatter, kinship)
    ring = ring + _rounded_by(ring, blur_mm, spacing)[:, None] * normals
    return Smoothed(
        ring_mm=ring,
        measured_mm=measured_mm,
        normals=normals,
        seen=seen,
        error_mm=error,
        scatter_mm=scatter,
        kinship=kinship,
        misfit_mm=np.zeros(count) if misfit_mm is None else misfit_mm,
    )


def _rounded_by(ring: NDArray[np.float64], blur_mm: float, spacing: float) -> NDArray[np.float64]:
    """Return how far blur has drawn each point inward: blur²·curvature/2, at most a quarter of the blur.

    The first term of the heat equation on a curve of small curvature.
    """
    half = max(3, round(0.4 / spacing))
    padded = np.concatenate([ring[-half:], ring, ring[:half]])
    first, second = (
        np.column_stack(
            [
                np.convolve(
                    padded[:, k], savgol_coeffs(2 * half + 1, 2, deriv=order, delta=spacing), mode="valid"
                )
                for k in (0, 1)
            ]
        )
        for order in (1, 2)
    )
    speed = np.maximum(np.hypot(first[:, 0], first[:, 1]), 1e-9)
    curvature = (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / speed**3
    return np.asarray(np.clip(0.5 * blur_mm**2 * curvature, -0.25 * blur_mm, 0.25 * blur_mm), np.float64)


def _gain(half: int) -> float:
    """Return the variance of a parabola's middle over that of one point."""
    return float(np.sum(savgol_coeffs(2 * half + 1, 2) ** 2))


def _parabola(ring: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    """Return each point replaced by the middle of the parabola through its neighbours."""
    weights = savgol_coeffs(2 * half + 1, 2)
    padded = np.concatenate([ring[-half:], ring, ring[:half]])
    return np.column_stack([np.convolve(padded[:, k], weights, mode="valid") for k in (0, 1)])


def _kinship(off: NDArray[np.float64]) -> float:
    """Return the sum of the autocorrelation over all lags up to its first zero."""
    if len(off) < 16:
        return 2.0
    limit = 3.5 * max(float(np.median(np.abs(off))), 1e-6) * 1.4826
    calm = np.clip(off, -limit, limit)
    calm = calm - calm.mean()
    power = np.abs(np.fft.rfft(calm)) ** 2
    rho = np.fft.irfft(power, len(calm))[: len(calm) // 4]
    rho = rho / max(float(rho[0]), 1e-12)
    below = np.nonzero(rho <= 0.0)[0]
    last = int(below[0]) if len(below) else len(rho)
    return float(max(1.0, 1.0 + 2.0 * np.sum(rho[1:last])))


def _longest_agreeing(
    ring: NDArray[np.float64],
    normals: NDArray[np.float64],
    half: list[int],
    scatter: float,
    kinship: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    estimates = np.array([_parabola(ring, h) for h in half])
    errors = scatter * np.sqrt(np.minimum(kinship * np.array([_gain(h) for h in half]), 1.0))
    place = np.einsum("kni,ni->kn", estimates - ring, normals)
    low = np.maximum.accumulate(place - AGREEMENT * errors[:, None], axis=0)
    high = np.minimum.accumulate(place + AGREEMENT * errors[:, None], axis=0)
    agrees = np.logical_and.accumulate(low <= high, axis=0)
    chosen = agrees.sum(axis=0) - 1
    chosen = np.minimum(chosen, median_filter(chosen, size=7, mode="wrap"))
    # A stretch's estimate changes step by step from point to point; blend the steps away.
    share = gaussian_filter1d(np.eye(len(half))[chosen], 2.0, axis=0, mode="wrap")
    return np.einsum("nk,kni->ni", share, estimates), share @ errors


def fitted_extreme(outline: Smoothed, sense: int) -> Fitted:
    """Return the roof (`sense` +1) or floor (−1) as a curve fitted to its whole run.

    Parameters
    ----------
    outline : Smoothed
        The smoothed ring.
    sense : int
        +1 for the roof, −1 for the floor.

    Returns
    -------
    Fitted
        The degree of the polynomial is the one with the least Bayesian information criterion.
    """
    ring = outline.ring_mm * np.array([1.0, sense])
    top = int(np.argmax(ring[:, 1]))
    run = _run(ring, top, CHORD_MM)
    if len(run) < 8 or np.ptp(ring[run, 0]) < 2 * SHORTEST_RUN_MM:  # corners leave little of a small roof
        run = _run(ring, top, CHORD_MM / 2)
    chosen = run[outline.seen[run]]
    if len(chosen) < 8 or np.ptp(ring[chosen, 0]) < SHORTEST_RUN_MM:
        return Fitted(
            height_mm=sense * float(ring[top, 1]),
            at_mm=float(ring[top, 0]),
            error_mm=float(outline.error_mm[top]),
            run=np.array([top]),
            run_y_mm=outline.ring_mm[top : top + 1, 1].copy(),
            shares=np.ones(1),
            degree=None,
        )
    x = outline.measured_mm[chosen, 0]
    y = outline.measured_mm[chosen, 1] * sense
    middle, half = (x.max() + x.min()) / 2, np.ptp(x) / 2
    degree, weight = _degree_and_weights((x - middle) / half, y, outline.scatter_mm, outline.kinship)
    design = np.vander((x - middle) / half, degree + 1)
    solve = np.linalg.pinv(design * np.sqrt(weight)[:, None]) * np.sqrt(weight)[None, :]
    curve = solve @ y
    at = (outline.ring_mm[run, 0] - middle) / half
    fitted = np.vander(at, degree + 1) @ curve
    best = int(np.argmax(fitted)) if degree else len(run) // 2
    row = np.vander(at[best : best + 1], degree + 1)[0] @ solve
    scatter = max(float(np.sqrt(np.average((y - design @ curve) ** 2, weights=weight))), outline.scatter_mm)
    error = scatter * float(np.sqrt(outline.kinship * np.sum(row**2)))
    shares = np.zeros(len(run))
    shares[np.searchsorted(np.nonzero(outline.seen[run])[0], np.arange(len(chosen)))] = 0.0
    shares[outline.seen[run]] = row
    return Fitted(
        height_mm=sense * float(fitted[best]),
        at_mm=float(outline.ring_mm[run[best], 0]),
        error_mm=error,
        run=run,
        run_y_mm=sense * fitted,
        shares=shares,
        degree=degree,
    )


def _run(ring: NDArray[np.float64], top: int, chord_mm: float) -> NDArray[np.intp]:
    """Return indices of the stretch about the top that is not steep and turns no corner, in ring order."""
    count = len(ring)
    spacing = spacing_mm(ring)
    step = max(2, round(0.5 / spacing))
    chord = np.roll(ring, -step, axis=0) - np.roll(ring, step, axis=0)
    angle = np.unwrap(np.arctan2(chord[:, 1], chord[:, 0]))
    ahead, behind = np.roll(angle, -step), np.roll(angle, step)
    turn = (ahead - behind + np.pi) % (2 * np.pi) - np.pi
    flat = np.abs(turn) / (2 * step * spacing) < CORNER_PER_MM
    flat &= np.abs(chord[:, 1]) < STEEPEST * np.abs(chord[:, 0])
    start = _nearest_true(flat, top, round(4.0 / spacing))
    if start is None:
        return np.zeros(0, np.intp)
    first = last = start
    while flat[(first - 1) % count] and last - first < count - 1:
        first -= 1
    while flat[(last + 1) % count] and last - first < count - 1:
        last += 1
    return np.arange(first, last + 1, dtype=np.intp) % count


def _nearest_true(flag: NDArray[np.bool_], start: int, reach: int) -> int | None:
    for away in range(reach + 1):
        for place in (start + away, start - away):
            if flag[place % len(flag)]:
                return place % len(flag)
    return None


def _degree_and_weights(
    x: NDArray[np.float64], y: NDArray[np.float64], scatter: float, kinship: float
) -> tuple[int, NDArray[np.float64]]:
    """Return the polynomial degree that the points ask for, and weights that leave out stray points."""
    free = max(len(x) / kinship, 3.0)
    best: tuple[float, int, NDArray[np.float64]] | None = None
    for degree in range(min(HIGHEST_DEGREE, int(free) - 2) + 1):
        design = np.vander(x, degree + 1)
        weight = np.ones(len(x))
        for _ in range(8):
            root = np.sqrt(weight)
            curve = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
            off = y - design @ curve
            limit = 4.685 * max(1.4826 * float(np.median(np.abs(off))), 0.5 * scatter)  # Tukey's biweight
            weight = np.clip(1.0 - (off / limit) ** 2, 0.0, 1.0) ** 2 + 1e-6
        loss = float(np.mean(np.minimum(off**2, (2.0 * scatter) ** 2)))
        score = free * np.log(loss + 0.01 * scatter**2) + (degree + 1) * np.log(free)
        if best is None or score < best[0]:
            best = (score, degree, weight)
    assert best is not None  # noqa: S101 - degree 0 is always tried
    return best[1], best[2]


def with_run(
    outline: Smoothed, fits: tuple[Fitted, Fitted], *, hair_mm: float = HAIR_MM
) -> NDArray[np.float64]:
    """Return the ring with roof and floor runs replaced by their fitted curves.

    The step at a run's end is faded out over 0.5 mm of the corner beside it. A corner falls away from the
    roof's tangent; what a smoothed corner stands out from it by a hair is cut off.

    Parameters
    ----------
    outline : Smoothed
        The smoothed ring.
    fits : tuple of Fitted
        Roof and floor.
    hair_mm : float, optional
        What a corner may stand out from the tangent to be cut off.

    Returns
    -------
    ndarray of shape (N, 2)
        Its greatest and least y are roof and floor.
    """
    ring = outline.ring_mm.copy()
    count = len(ring)
    spacing = spacing_mm(ring)
    fade = max(2, round(0.5 / spacing))
    for fit, sense in zip(fits, (1.0, -1.0), strict=True):
        if fit.degree is None:
            continue
        move = fit.run_y_mm - ring[fit.run, 1]
        ring[fit.run, 1] = fit.run_y_mm
        for end, way, size in ((0, -1, move[0]), (-1, 1, move[-1])):
            away = np.arange(1, fade + 1)
            beside = (fit.run[end] + way * away) % count
            ring[beside, 1] += size * (1.0 - away / (fade + 1))
            _hold_under_tangent(ring, fit, end, way, sense, reach=4 * fade, hair_mm=hair_mm)
    return ring


def _hold_under_tangent(
    ring: NDArray[np.float64],
    fit: Fitted,
    end: int,
    way: int,
    sense: float,
    *,
    reach: int,
    hair_mm: float,
) -> None:
    """Bring points beside a run's end that stand out from its tangent by under a hair onto it."""
    inner = fit.run[[0, min(4, len(fit.run) - 1)]] if end == 0 else fit.run[[-1, max(-5, -len(fit.run))]]
    (x_end, y_end), (x_in, y_in) = ring[inner]
    slope = (y_end - y_in) / (x_end - x_in) if x_end != x_in else 0.0
    beside = (fit.run[end] + way * np.arange(1, reach + 1)) % len(ring)
    limit = y_end + slope * (ring[beside, 0] - x_end)
    over = sense * (ring[beside, 1] - limit)
    out = (over > 0.0) & (over < hair_mm)
    ring[beside[out], 1] = limit[out]


def simplified(ring: NDArray[np.float64], tolerance_mm: float) -> NDArray[np.float64]:
    """Return a ring of fewer points within a tolerance, of the same area and the same least and greatest y.

    Chords of an arc lie inside it. So points left by the Douglas-Peucker method at half the tolerance are
    moved outward or inward until each stretch has its area again.

    Parameters
    ----------
    ring : ndarray of shape (N, 2)
        Anticlockwise or clockwise.
    tolerance_mm : float
        Greatest distance between both rings [mm].

    Returns
    -------
    ndarray of shape (M, 2)

    Examples
    --------
    >>> turn = np.linspace(0, 2 * np.pi, 900, endpoint=False)
    >>> circle = 5 * np.column_stack([np.cos(turn), np.sin(turn)])
    >>> fewer = simplified(circle, 0.01)
    >>> len(fewer) < 160, round(ring_area(fewer) / ring_area(circle), 6)
    (True, 1.0)
    """
    top, bottom = int(np.argmax(ring[:, 1])), int(np.argmin(ring[:, 1]))
    left, right = int(np.argmin(ring[:, 0])), int(np.argmax(ring[:, 0]))
    corners = sorted({top, bottom, left, right})
    kept: list[int] = []
    closed = np.vstack([ring, ring])
    for first, last in zip(corners, [*corners[1:], corners[0] + len(ring)], strict=True):
        kept.extend(first + _left_by_simplifying(closed[first : last + 1], tolerance_mm / 2))
    index = np.array(kept) % len(ring)
    index = np.roll(index, -int(np.argmin(index)))
    fixed = np.isin(index, [top, bottom])
    return _same_area(ring, index, fixed)


def _left_by_simplifying(chain: NDArray[np.float64], tolerance: float) -> NDArray[np.intp]:
    """Return which points of an open chain stay, its last one left out."""
    left = shapely.get_coordinates(shapely.LineString(chain).simplify(tolerance))
    order, at = [], 0
    for point in left[:-1]:
        while not np.array_equal(chain[at], point):
            at += 1
        order.append(at)
    return np.array(order, np.intp)


def _same_area(
    ring: NDArray[np.float64], index: NDArray[np.intp], fixed: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Move the kept points square to the ring so that each stretch's area comes back, then the whole's."""
    points = ring[index]
    ahead = np.roll(points, -1, axis=0) - points
    length = np.hypot(ahead[:, 0], ahead[:, 1])
    beyond = np.array([_beyond_chord(ring, a, b) for a, b in zip(index, np.roll(index, -1), strict=True)])
    tangent = ahead / np.maximum(length, 1e-12)[:, None] + np.roll(
        ahead / np.maximum(length, 1e-12)[:, None], 1, axis=0
    )
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    normal /= np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-12)[:, None]
    move = (beyond + np.roll(beyond, 1)) / (length + np.roll(length, 1))
    move[fixed] = 0.0
    low, high = ring[:, 1].min(), ring[:, 1].max()
    span = np.where(fixed, 0.0, length + np.roll(length, 1)) / 2
    target = ring_area(ring)
    moved = points
    for _ in range(12):  # points held at roof and floor give less than their share: it comes back by and by
        moved = points + move[:, None] * normal
        moved[:, 1] = np.clip(moved[:, 1], low, high)
        move = move + np.where(fixed, 0.0, (target - ring_area(moved)) / max(float(span.sum()), 1e-9))
    return moved


def _beyond_chord(ring: NDArray[np.float64], first: int, last: int) -> float:
    """Return the signed area between a stretch of the ring and its chord, positive to the chord's right."""
    stretch = ring[first : last + 1] if last > first else np.vstack([ring[first:], ring[: last + 1]])
    return ring_area(stretch) if len(stretch) > 2 else 0.0
