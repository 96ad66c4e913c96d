"""One lens and the poses of a board that suit the corners seen in several photos: a bundle adjustment.

The figures of a lens are counted as (s, a, cx, cy, distortion...): s stretches both focal lengths by 1 + s
and a the one down the picture by 1 + a more, so that a = 0 is a lens with square pixels. Any of them may be
held. Six figures of pose are solved anew for each photo (seven if each is to have a focal length of its own)
and drop out [1]_: what a photo says of the lens is left, its `information` and `gradient`. From these follow,
without another fit, the lens that the other photos give and how well that one foretells the photo left out.

Corners that miss by far count less and less (Huber's loss [2]_).

References
----------
.. [1] B. Triggs and others, Bundle adjustment: a modern synthesis, Vision Algorithms (1999) 298-372, section
   6.1, the Schur complement (from memory).
.. [2] P. J. Huber, Robust estimation of a location parameter, Ann. Math. Stat. 35 (1964) 73-101 (from
   memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

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
_STAGES, _ROUNDS = 4, 60
_SAME_LIMIT = 0.02
_START_CORNERS = 40  # of a photo: enough to choose a focal length by
_DONE = 1e-8  # of the cost, in a round
_LEAST_DAMPING, _MOST_DAMPING = 1e-12, 1e6
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
            few = np.linspace(0, len(view.places_mm) - 1, min(len(view.places_mm), _START_CORNERS)).astype(
                int
            )
            found = first_pose(lens, _standing(view)[few], view.pixels_px[few], "above")
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
    size = 7 if own_focals else 6
    across, down = lens.size_px
    likely = {"s": np.log(lens.fx_px), "cx": (across - 1) / 2, "cy": (down - 1) / 2}
    known = _Known(
        free=numbers,
        likely=np.array([likely.get(names[k], 0.0) for k in numbers]),
        weight=np.diag([_prior_weight(names[k], max(lens.size_px)) for k in numbers]),
    )
    count = sum(len(view.places_mm) for view in views)
    freedom = max(1, 2 * count - size * len(views) - len(numbers))
    found = [np.concatenate([turn, shift, [0.0] * (size - 6)]) for turn, shift in poses]
    limit = np.inf
    for _ in range(_STAGES):  # each weighs corners, and what is known before, by the noise of the one before
        state = _state(views, lens, found, numbers, limit)
        noise = np.sqrt(2 * state.cost.sum() / freedom)
        if robust:
            spread = 1.4826 * float(np.median(np.abs(np.vstack(state.miss)))) * np.sqrt(2 * count / freedom)
            noise = max(min(spread, noise) if np.isfinite(limit) else spread, _NOISE_FLOOR_PX)
            if abs(noise * _HUBER / limit - 1) < _SAME_LIMIT:
                break
            limit = noise * _HUBER
        lens, found = _descended(views, lens, found, known, limit, min(noise, 1.0))
    state = _state(views, lens, found, numbers, limit)
    noise = max(float(np.sqrt(2 * state.cost.sum() / freedom)), _NOISE_FLOOR_PX)
    return LensFit(
        lens=lens,
        free=numbers,
        photos=tuple(_photos(state, found, noise)),
        prior=known.weight * noise**2,
        noise_px=noise,
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Known:
    """What is known of the free figures before: the likeliest, and the inverse of its covariance."""

    free: tuple[int, ...]
    likely: Floats
    weight: Floats

    def off(self, lens: Lens) -> Floats:
        return np.asarray(_figures(lens)[list(self.free)] - self.likely)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _State:
    """The normal equations of each of P photos, in blocks: of its pose (p) and of the lens (l)."""

    miss: list[Floats]
    cost: Floats
    pp: Floats  # (P, S, S), scaled to a diagonal of ones
    pl: Floats  # (P, S, F)
    ll: Floats  # (P, F, F)
    gp: Floats  # (P, S)
    gl: Floats  # (P, F)
    scale: Floats  # (P, S)

    def reduced(self, damping: float) -> tuple[Floats, Floats, Floats]:
        """Return information and gradient of the lens with each pose dropped out, and how to get it back."""
        damped = self.pp + damping * np.eye(self.pp.shape[1])
        both = np.concatenate([self.pl, self.gp[:, :, None]], axis=2)
        back = np.linalg.solve(damped, both)
        turned = np.swapaxes(self.pl, 1, 2)
        left = turned @ back
        return self.ll - left[:, :, :-1], self.gl - left[:, :, -1], back


def _state(
    views: Sequence[BoardView], lens: Lens, poses: Sequence[Floats], free: tuple[int, ...], limit: float
) -> _State:
    size, count = len(poses[0]), len(views)
    pp, pl = np.empty((count, size, size)), np.empty((count, size, len(free)))
    ll, gp = np.empty((count, len(free), len(free))), np.empty((count, size))
    gl, scale = np.empty((count, len(free))), np.empty((count, size))
    misses, cost = [], np.empty(count)
    for k, (view, found) in enumerate(zip(views, poses, strict=True)):
        seen, by_pose, by_lens = _all_slopes(lens, found, _standing(view))
        miss, weight = _weighed(seen - view.pixels_px, limit)
        root = np.sqrt(weight).reshape(-1, 1)
        pose = root * by_pose.reshape(-1, size)
        figures = root * by_lens.reshape(len(root), -1)[:, list(free)]
        left = root[:, 0] * miss.ravel()
        square = pose.T @ pose
        # turns and shifts are of different size
        scale[k] = 1 / np.sqrt(np.maximum(np.diag(square), 1e-30))
        pp[k] = square * scale[k][:, None] * scale[k] + _LEAST_DAMPING * np.eye(size)
        pl[k], ll[k] = scale[k][:, None] * (pose.T @ figures), figures.T @ figures
        gp[k], gl[k] = scale[k] * (pose.T @ left), figures.T @ left
        misses.append(miss)
        cost[k] = _huber_cost(miss, limit)
    return _State(miss=misses, cost=cost, pp=pp, pl=pl, ll=ll, gp=gp, gl=gl, scale=scale)


def _photos(state: _State, poses: Sequence[Floats], noise: float) -> Iterator[PhotoFit]:
    information, gradient, _ = state.reduced(0.0)
    for k, pose in enumerate(poses):
        own = len(pose) == 7
        u = float("nan")
        if own:
            u = noise * float(state.scale[k, 6] * np.sqrt(np.linalg.inv(state.pp[k])[6, 6]))
        yield PhotoFit(
            turn=pose[:3],
            shift_mm=pose[3:6],
            stretch=float(pose[6]) if own else 0.0,
            u_stretch=u,
            miss_px=state.miss[k],
            cost=float(state.cost[k]),
            information=information[k],
            gradient=gradient[k],
        )


def _descended(
    views: Sequence[BoardView],
    lens: Lens,
    poses: list[Floats],
    known: _Known,
    limit: float,
    noise: float,
) -> tuple[Lens, list[Floats]]:
    """Return lens and poses at the least cost, by Levenberg's and Marquardt's damped steps."""
    held = known.weight * noise**2

    def whole(state: _State, lens: Lens) -> float:
        return float(state.cost.sum() + 0.5 * known.off(lens) @ held @ known.off(lens))

    damping = 1e-4
    state = _state(views, lens, poses, known.free, limit)
    cost = whole(state, lens)
    for _ in range(_ROUNDS):
        new = np.inf
        while damping < _MOST_DAMPING:
            information, gradient, back = state.reduced(damping)
            matrix = held + information.sum(axis=0)
            matrix += damping * np.diag(np.diag(state.ll.sum(axis=0)))
            step = np.linalg.solve(matrix, -(held @ known.off(lens) + gradient.sum(axis=0)))
            tried = _moved(lens, known.free, step)
            if tried is not None:
                moves = -state.scale * (back[:, :, -1] + back[:, :, :-1] @ step)
                again = [pose + move for pose, move in zip(poses, moves, strict=True)]
                after = _state(views, tried, again, known.free, limit)
                new = whole(after, tried)
                if new <= cost:
                    break
            damping *= 8
        if not new <= cost:
            break
        gain, poses, state, cost = cost - new, again, after, new
        lens = tried if tried is not None else lens
        damping = max(damping / 20, _LEAST_DAMPING)
        if gain <= _DONE * cost:
            break
    return lens, poses


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
