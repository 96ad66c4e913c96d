"""One lens and the poses of a board that suit the corners seen in several photos: a bundle adjustment.

The figures of a lens are counted as (s, a, cx, cy, distortion...): s stretches both focal lengths by 1 + s
and a the one down the picture by 1 + a more, so that a = 0 is a lens with square pixels. Any of them may be
held. Six figures of pose are solved anew for each photo, and drop out [1]_ (seven if each photo is to have
a focal length of its own): what a photo says of the lens is left, its `information` and `gradient`. From these follow, without another fit, the lens that the other
photos give and how well that one foretells the photo left out.

Corners that miss by far count less and less (Huber's loss [2]_).

References
----------
.. [1] B. Triggs and others, Bundle adjustment: a modern synthesis, Vision Algorithms (1999) 298-372, section
   6.1, the Schur complement (from memory).
.. [2] P. J. Huber, Robust estimation of a location parameter, Ann. Math. Stat. 35 (1964) 73-101 (from
   memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError
from portmap.picture.board_view import BoardView
from portmap.picture.bore_start import first_pose
from portmap.picture.camera import Lens, Model
from portmap.picture.lens_doubt import seen_and_slopes

__all__ = ["FIGURES", "LensFit", "PhotoFit", "adjusted_lens", "started_lens"]

Floats = NDArray[np.float64]

FIGURES: dict[Model, tuple[str, ...]] = {
    "pinhole": ("s", "a", "cx", "cy", "k1", "k2", "p1", "p2", "k3"),
    "fisheye": ("s", "a", "cx", "cy", "k1", "k2", "k3", "k4"),
}
_HUBER = 2.5  # times the noise
_NOISE_FLOOR_PX = 1e-4
_ROUNDS = 60
_DONE = 1e-9  # of the cost, in a round
# What is known of lenses before: as loose as this, so that it only keeps the system solvable where the photos
# say nothing (common practice, no source). The middle is held to the picture's, by a share of the long side.
_TERM_SD, _SHAPE_SD, _STRETCH_SD, _MIDDLE_SD = 30.0, 0.5, 3.0, 0.06
_FOCAL_TRIES: dict[Model, tuple[float, ...]] = {  # of the long side
    "pinhole": (0.4, 0.55, 0.7, 0.9, 1.2, 1.7, 2.5, 4.0),
    "fisheye": (0.22, 0.28, 0.36, 0.46, 0.6, 0.8, 1.1, 1.6),
}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PhotoFit:
    """What became of one photo.

    Parameters
    ----------
    turn, shift_mm : ndarray of shape (3,)
        Pose: from the board to the camera [rad], [mm].
    stretch, u_stretch : float
        By what share its focal length is longer than the lens's, and how sure that is; 0 and NaN if all
        photos share one.
    miss_px : ndarray of shape (N, 2)
        Corners as computed less as seen.
    cost : float
        Half the sum of squared misses [px²], far ones weighed down.
    information : ndarray of shape (F, F)
        What the photo tells of the lens's free figures, its pose being solved anew [px²].
    gradient : ndarray of shape (F,)
        How the cost then changes with them [px²].
    """

    turn: Floats
    shift_mm: Floats
    stretch: float
    u_stretch: float
    miss_px: Floats
    cost: float
    information: Floats
    gradient: Floats

    @property
    def rms_px(self) -> float:
        """Return the root mean square distance of the corners from where the lens would have them."""
        return float(np.sqrt(np.mean(np.sum(self.miss_px**2, axis=1))))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LensFit:
    """A lens fitted to photos.

    Parameters
    ----------
    lens : Lens
    free : tuple of int
        The numbers of the figures that were not held, in `FIGURES`.
    photos : tuple of PhotoFit
        One for each view.
    prior : ndarray of shape (F, F)
        What was put in of lenses in general [px²].
    noise_px : float
        Standard deviation of a coordinate of a corner.
    """

    lens: Lens
    free: tuple[int, ...]
    photos: tuple[PhotoFit, ...]
    prior: Floats
    noise_px: float

    @property
    def rms_px(self) -> float:
        """Return the root mean square distance over all corners of all photos."""
        return float(np.sqrt(np.mean(np.sum(np.vstack([p.miss_px for p in self.photos]) ** 2, axis=1))))

    @property
    def information(self) -> Floats:
        """Return what all photos tell of the free figures, shape (F, F) [px²]."""
        return np.asarray(self.prior + sum(photo.information for photo in self.photos))

    def without(self) -> tuple[Floats, Floats]:
        """Return what leaving out each photo does.

        Returns
        -------
        ndarray of shape (P, F)
            How the free figures change if the photo is left out.
        ndarray of shape (P,)
            Its cost under the lens of the others: how well they foretell it [px²].
        """
        whole = self.information
        change, cost = [], []
        for photo in self.photos:
            step = np.linalg.lstsq(whole - photo.information, photo.gradient, rcond=1e-13)[0]
            change.append(step)
            cost.append(photo.cost + photo.gradient @ step + 0.5 * step @ photo.information @ step)
        return np.array(change), np.array(cost)

    def covariance(self) -> Floats:
        """Return the covariance of the free figures, shape (F, F).

        Corners of one photo do not err independently (a board that is not quite flat, a lens that is of no
        model): the photos' gradients at the optimum then scatter more than the noise of the corners
        explains, and the covariance is raised by as much.
        """
        inverse = np.linalg.inv(self.information)
        spread = sum(float(photo.gradient @ inverse @ photo.gradient) for photo in self.photos)
        expected = sum(
            np.trace(inverse @ photo.information)
            - np.trace(inverse @ photo.information @ inverse @ photo.information)
            for photo in self.photos
        )
        raised = max(1.0, spread / max(self.noise_px**2 * expected, 1e-30))
        return np.asarray(inverse * self.noise_px**2 * raised)


def started_lens(views: Sequence[BoardView], model: Model) -> tuple[Lens, list[tuple[Floats, Floats]]]:
    """Return a lens to start from and the poses under it.

    Parameters
    ----------
    views : sequence of BoardView
        All of one size.
    model : {'pinhole', 'fisheye'}

    Returns
    -------
    Lens
        Without distortion; of the focal lengths tried the one that suits most photos best.
    list of tuple
        Turn and shift for each view.

    Raises
    ------
    PictureError
        If no pose suits some view.
    """
    size = views[0].size_px
    best: tuple[float, Lens, list[tuple[Floats, Floats]]] | None = None
    for share in _FOCAL_TRIES[model]:
        lens = Lens(
            model=model,
            size_px=size,
            fx_px=share * max(size),
            fy_px=share * max(size),
            cx_px=(size[0] - 1) / 2,
            cy_px=(size[1] - 1) / 2,
            distortion=(0.0,) * (5 if model == "pinhole" else 4),
        )
        poses, misses = [], []
        for view in views:
            found = first_pose(lens, _standing(view), view.pixels_px, "above")
            if found is None:
                break
            poses.append(found[:2])
            misses.append(found[2])
        else:
            score = float(np.median(misses))
            if best is None or score < best[0]:
                best = score, lens, poses
    if best is None:
        raise PictureError(
            f"no {model} lens shows a board as these photos do",
            remedy="check that the board is flat and, of a chessboard, the count of its inner corners",
        )
    return best[1], best[2]


def adjusted_lens(
    views: Sequence[BoardView],
    lens: Lens,
    poses: Sequence[tuple[Floats, Floats]],
    free: Sequence[str],
    *,
    robust: bool = True,
    own_focals: bool = False,
) -> LensFit:
    """Return the lens and poses that suit all views best.

    Parameters
    ----------
    views : sequence of BoardView
    lens : Lens
        To start from; what is not free stays as it is in it.
    poses : sequence of tuple
        Turn and shift for each view, to start from.
    free : sequence of str
        Which of the model's `FIGURES` to find.
    robust : bool, optional
        Weigh corners down that miss by far; plain least squares if not.
    own_focals : bool, optional
        Give each photo a focal length of its own; then s must not be free.

    Returns
    -------
    LensFit
    """
    names = FIGURES[lens.model]
    numbers = tuple(names.index(name) for name in free)
    prior = np.diag([_prior_weight(names[k], max(lens.size_px)) for k in numbers])
    across, down = lens.size_px
    likely = {"s": np.log(lens.fx_px), "cx": (across - 1) / 2, "cy": (down - 1) / 2}
    start = np.array([likely.get(names[k], 0.0) for k in numbers])
    count = sum(len(view.places_mm) for view in views)
    size = 7 if own_focals else 6
    freedom = max(1, 2 * count - size * len(views) - len(numbers))
    limit = np.inf
    whole = [np.concatenate([turn, shift, [0.0] * (size - 6)]) for turn, shift in poses]
    photos = _seen_again(views, lens, whole, numbers, limit)
    stages = 4 if robust else 2  # each weighs what is known before by the noise that the one before left
    for stage in range(stages):
        photos, lens = _descended(views, lens, photos, numbers, prior, start, limit)
        if not robust or stage == stages - 1:
            continue
        misses = np.abs(np.vstack([photo.miss_px for photo in photos]))
        spread = 1.4826 * float(np.median(misses)) * np.sqrt(2 * count / freedom)
        limit = _HUBER * max(spread, _NOISE_FLOOR_PX)
        photos = _seen_again(views, lens, [_pose(p, size) for p in photos], numbers, limit)
    noise = np.sqrt(2 * sum(photo.cost for photo in photos) / freedom)
    return LensFit(
        lens=lens,
        free=numbers,
        photos=tuple(replace(p, u_stretch=p.u_stretch * float(noise)) for p in photos),
        prior=prior * noise**2,
        noise_px=max(float(noise), _NOISE_FLOOR_PX),
    )


def _descended(
    views: Sequence[BoardView],
    lens: Lens,
    photos: list[PhotoFit],
    free: tuple[int, ...],
    prior: Floats,
    start: Floats,
    limit: float,
) -> tuple[list[PhotoFit], Lens]:
    """Return photos and lens at the least cost, by Levenberg's and Marquardt's damped steps."""
    noise2 = 2 * sum(p.cost for p in photos) / max(1, 2 * sum(len(p.miss_px) for p in photos))
    held = prior * min(noise2, 1.0)  # the first misses of a rough start are no noise

    def off(lens: Lens) -> Floats:
        return _figures(lens)[list(free)] - start

    def whole(photos: list[PhotoFit], lens: Lens) -> float:
        return sum(photo.cost for photo in photos) + 0.5 * float(off(lens) @ held @ off(lens))

    size = 6 if np.isnan(photos[0].u_stretch) else 7
    damping, cost = 1e-3, whole(photos, lens)
    for _ in range(_ROUNDS):
        information = held + sum(photo.information for photo in photos)
        gradient = held @ off(lens) + sum(photo.gradient for photo in photos)
        scale = np.diag(np.diag(information)) + 1e-12 * np.eye(len(free))
        moved = False
        for _ in range(12):
            step = np.linalg.solve(information + damping * scale, -gradient)
            tried = _moved(lens, free, step)
            if tried is not None:
                poses = _posed_again(views, tried, [_pose(p, size) for p in photos], limit)
                again = _seen_again(views, tried, poses, free, limit)
                new = whole(again, tried)
                if new <= cost:
                    moved = True
                    break
            damping = max(damping, 1e-9) * 6
        if not moved:
            break
        gain, photos, lens, cost = cost - new, again, tried, new
        damping = max(damping / 10, 1e-12)
        if gain <= _DONE * cost:
            break
    return photos, lens


def _pose(photo: PhotoFit, size: int) -> Floats:
    return np.concatenate([photo.turn, photo.shift_mm, [photo.stretch]])[:size]


def _posed_again(
    views: Sequence[BoardView], lens: Lens, poses: Sequence[Floats], limit: float
) -> list[Floats]:
    """Return the poses that suit a changed lens, each from where it was."""
    found = []
    for view, pose in zip(views, poses, strict=True):
        places, best, step = _standing(view), pose, np.zeros(len(pose))
        cost, damping = np.inf, 1e-6
        for _ in range(6):
            tried = best + step
            seen, slopes, _ = _all_slopes(lens, tried, places)
            miss, weight = _weighed(seen - view.pixels_px, limit)
            new = _huber_cost(miss, limit)
            if new < cost:
                done = cost - new <= 1e-7 * new
                cost, best = new, tried
                if done:
                    break
                flat = slopes.reshape(-1, len(pose))
                matrix = flat.T @ (flat * weight.reshape(-1, 1))
                gradient = flat.T @ (weight * miss).ravel()
                damping /= 10
            else:
                damping = max(damping, 1e-9) * 30
                if not np.isfinite(cost):
                    break  # from here on no pose is any good; the lens's step will be refused
            step = np.linalg.solve(matrix + damping * np.diag(np.diag(matrix)), -gradient)
        found.append(best)
    return found


def _seen_again(
    views: Sequence[BoardView], lens: Lens, poses: Sequence[Floats], free: tuple[int, ...], limit: float
) -> list[PhotoFit]:
    """Return what each photo says of the lens, with its pose dropped out."""
    photos = []
    for view, found in zip(views, poses, strict=True):
        size = len(found)
        seen, by_pose, by_lens = _all_slopes(lens, found, _standing(view))
        miss, weight = _weighed(seen - view.pixels_px, limit)
        pose = by_pose.reshape(-1, size)
        figures = by_lens[:, :, list(free)].reshape(-1, len(free))
        w = weight.reshape(-1, 1)
        pp, pl, ll = pose.T @ (w * pose), pose.T @ (w * figures), figures.T @ (w * figures)
        gp, gl = pose.T @ (w[:, 0] * miss.ravel()), figures.T @ (w[:, 0] * miss.ravel())
        # turns and shifts are of different size: scaled, or the depth of a far board would drown
        scale = 1 / np.sqrt(np.maximum(np.diag(pp), 1e-30))
        inverse = np.linalg.pinv(pp * scale[:, None] * scale, rcond=1e-13, hermitian=True)
        inverse = inverse * scale[:, None] * scale
        photos.append(
            PhotoFit(
                turn=found[:3],
                shift_mm=found[3:6],
                stretch=float(found[6]) if size == 7 else 0.0,
                u_stretch=float(np.sqrt(max(inverse[6, 6], 0.0))) if size == 7 else float("nan"),
                miss_px=miss,
                cost=_huber_cost(miss, limit),
                information=ll - pl.T @ inverse @ pl,
                gradient=gl - pl.T @ inverse @ gp,
            )
        )
    return photos


def _standing(view: BoardView) -> Floats:
    return np.column_stack([view.places_mm, np.zeros(len(view.places_mm))])


def _all_slopes(lens: Lens, pose: Floats, places: Floats) -> tuple[Floats, Floats, Floats]:
    """Return what is seen, and slopes along the pose and along all `FIGURES`."""
    if len(pose) == 7:
        longer = 1 + float(np.clip(pose[6], -0.9, 9.0))
        lens = replace(lens, fx_px=lens.fx_px * longer, fy_px=lens.fy_px * longer)
    seen, by_pose, figures = seen_and_slopes(lens, pose[:3], pose[3:6], places)
    shape = np.zeros((len(seen), 2, 1))
    shape[:, 1, 0] = seen[:, 1] - lens.cy_px
    if len(pose) == 7:
        by_pose = np.concatenate([by_pose, figures[:, :, :1] / longer], axis=2)
    return seen, by_pose, np.concatenate([figures[:, :, :1], shape, figures[:, :, 1:]], axis=2)


def _weighed(miss: Floats, limit: float) -> tuple[Floats, Floats]:
    """Return misses with nonsense made large, and the weight of each."""
    miss = np.nan_to_num(miss, nan=1e6, posinf=1e6, neginf=-1e6)
    size = np.hypot(*miss.T)[:, None] / np.sqrt(2)
    weight = np.minimum(1.0, limit / np.maximum(size, 1e-12)) if np.isfinite(limit) else np.ones_like(size)
    return miss, np.broadcast_to(weight, miss.shape)


def _huber_cost(miss: Floats, limit: float) -> float:
    size = np.hypot(*miss.T) / np.sqrt(2)
    near = size <= limit
    return float(
        np.sum(size[near] ** 2) + np.sum(2 * limit * size[~near] - limit**2 if not near.all() else 0)
    )


def _figures(lens: Lens) -> Floats:
    """Return a lens's figures; s is the logarithm of its focal length, so that priors have a place."""
    shape = lens.fy_px / lens.fx_px - 1
    return np.array([np.log(lens.fx_px), shape, lens.cx_px, lens.cy_px, *lens.distortion])


def _moved(lens: Lens, free: tuple[int, ...], step: Floats) -> Lens | None:
    """Return the lens a step further; None if that is no lens."""
    whole = np.zeros(4 + len(lens.distortion))
    whole[list(free)] = step
    stretch, shape, across, down, *terms = whole.tolist()
    if not (-0.5 < stretch < 1.0 and abs(shape) < 0.5):
        return None
    ratio = lens.fy_px / lens.fx_px + shape
    focal = lens.fx_px * (1 + stretch)
    if not (ratio > 0.2 and abs(lens.cx_px + across) < 1e6 and abs(lens.cy_px + down) < 1e6):
        return None
    return replace(
        lens,
        fx_px=focal,
        fy_px=focal * ratio,
        cx_px=lens.cx_px + across,
        cy_px=lens.cy_px + down,
        distortion=tuple(a + b for a, b in zip(lens.distortion, terms, strict=True)),
    )


def _prior_weight(name: str, long_px: int) -> float:
    sd = {"s": _STRETCH_SD, "a": _SHAPE_SD, "cx": _MIDDLE_SD * long_px, "cy": _MIDDLE_SD * long_px}.get(
        name, _TERM_SD
    )
    return float(sd**-2)
