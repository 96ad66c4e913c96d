"""Calibrating a camera or a scope from photos of a board: which lens, how sure, and which photos hurt.

Several lenses are fitted, pinhole and fisheye, with few terms of distortion and with more. Each is judged by
how well the lens that all photos but one give foretells that one [1]_; the plainest lens that no other beats
beyond doubt is taken. A term that is not taken is held at zero.

Glossary
--------
RMS
    Root mean square distance [px] between where a corner was seen and where the lens has it, over all corners
    of all photos that were used. (Not the mean of distances, and not that of coordinates, which is smaller.)
foretold
    The same over photos that had no part in the fit.
tilt
    The angle at which the line of sight meets the board, 0 if it is looked at square-on.

References
----------
.. [1] M. Stone, Cross-validatory choice and assessment of statistical predictions, J. R. Stat. Soc. B 36
   (1974) 111-147 (from memory).
.. [2] L. Breiman and others, Classification and Regression Trees (1984), section 3.4.3, the rule of one
   standard error (from memory).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import Notice, PictureError
from portmap.picture.board_view import BoardView
from portmap.picture.bore_start import first_pose
from portmap.picture.camera import Lens, Model, rays
from portmap.picture.lens_fit import FIGURES, LensFit, PhotoFit, adjusted_lens, started_lens
from portmap.picture.lens_notices import coverage, lens_notices

__all__ = ["Calibration", "PhotoReport", "calibrated_lens"]

Floats = NDArray[np.float64]

LEAST_PHOTOS = 3
_BASE = ("s", "cx", "cy")
_TERMS: dict[Model, tuple[tuple[str, ...], ...]] = {
    "pinhole": (
        (),
        ("k1",),
        ("k1", "k2"),
        ("k1", "k2", "k3"),
        ("k1", "k2", "p1", "p2"),
        ("k1", "k2", "p1", "p2", "k3"),
    ),
    "fisheye": ((), ("k1",), ("k1", "k2"), ("k1", "k2", "k3"), ("k1", "k2", "k3", "k4")),
}
# standard errors by which another lens must foretell better: with more terms [2]_; of the other model
_MORE_TERMS, _OTHER_MODEL = 1.0, 2.5
_HURTS, _HURTS_PX = 3.0, 0.2  # times the median photo's RMS, and more than it
_HOPELESS, _HOPELESS_PX = 4.0, 1.0  # times the other model's RMS: then a model is not followed further
_POSE_ROUNDS, _CLEARLY_LESS = 3, 0.7
_MOST_HURT = 1 / 3  # of the photos: if more stand out, none of them does
_SQUARE_ON_DEG, _ALIKE_DEG = 8.0, 10.0
_FOCAL_UNSURE, _MIDDLE_UNSURE = 0.05, 0.03  # of the focal length, of the long side: then it is not determined
_SAME_RATIO = 0.01
_ADD = (
    "add photos with the board tilted 20 to 40° to the left, to the right, up and down, and some in which it"
    " reaches the corners of the picture"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class PhotoReport:
    """What one photo has to say.

    Parameters
    ----------
    name : str
    corners : int
        How many of the board's corners were found.
    rms_px : float or None
        Under the lens that was taken, the photo's pose being its own; None if the photo says nothing.
    focal_change : float or None
        By what share the focal length changes if this photo is left out; None if it was not used.
    tilt_deg, distance_mm : float or None
        Of the board's middle: to the line of sight, and from the lens.
    used : bool
    why_not : str
        Why it was left out; empty if it was used.
    """

    name: str
    corners: int = 0
    rms_px: float | None = None
    focal_change: float | None = None
    tilt_deg: float | None = None
    distance_mm: float | None = None
    used: bool = False
    why_not: str = ""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Calibration:
    """A lens and how it was found.

    Parameters
    ----------
    lens : Lens
    u : dict
        Standard uncertainties by the lens file's names; ``correlation`` beside them.
    rms_px, rms_all_px, foretold_px : float
        Over the photos used; over all photos in which the board was seen, none left out or weighed down; of
        photos that had no part in the fit.
    foretold : dict
        The last for the best lens of each model that was tried.
    why : str
        Why this model and these terms.
    photos : tuple of PhotoReport
    covered : ndarray of shape (R, C)
        How many corners were seen in each field of the picture.
    notices : tuple of Notice
    """

    lens: Lens
    u: dict[str, Any]
    rms_px: float
    rms_all_px: float
    foretold_px: float
    foretold: dict[str, float]
    why: str
    photos: tuple[PhotoReport, ...]
    covered: NDArray[np.int64]
    notices: tuple[Notice, ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Candidate:
    fit: LensFit
    costs: Floats  # of each photo, foretold by the others

    def foretold_px(self) -> float:
        corners = sum(len(photo.miss_px) for photo in self.fit.photos)
        return float(np.sqrt(2 * self.costs.sum() / corners))


def calibrated_lens(
    views: Sequence[BoardView],
    *,
    model: Literal["auto", "pinhole", "fisheye"] = "auto",
    left_out: Sequence[PhotoReport] = (),
) -> Calibration:
    """Return the lens that took these photos of a board.

    Parameters
    ----------
    views : sequence of BoardView
        The board in each photo.
    model : {'auto', 'pinhole', 'fisheye'}, optional
    left_out : sequence of PhotoReport, optional
        Photos in which no board was found, to be named with the others.

    Returns
    -------
    Calibration

    Raises
    ------
    PictureError
        If the photos do not determine a lens; it says which to add.
    """
    kept, dropped = _alike(views)
    reports = [*left_out, *dropped]
    if len(kept) < LEAST_PHOTOS:
        why = f" ({reports[0].name} {reports[0].why_not})" if reports else ""
        raise PictureError(
            f"{len(kept)} photo{'s' * (len(kept) != 1)} of the board {'are' if len(kept) != 1 else 'is'} too"
            f" few to know a lens by{why}",
            remedy="take 10 to 20, each with the board tilted another way, at least"
            f" {LEAST_PHOTOS} with the board in them",
        )
    models: tuple[Model, ...] = ("pinhole", "fisheye") if model == "auto" else (model,)
    rough = _rough_fits(kept, models)
    everything = min(rough.values(), key=lambda fit: fit.rms_px)
    used = _agreeing(kept, everything)
    _refuse_square_on(everything, used)
    views_used = [kept[k] for k in used]
    tried = {
        name: _candidates(views_used, fit.lens, [_pose(fit.photos[k]) for k in used])
        for name, fit in rough.items()
        if fit.rms_px < max(_HOPELESS * everything.rms_px, _HOPELESS_PX)
    }
    best, why = _chosen(tried, rough, asked=model != "auto")
    fit = best.fit
    covariance = fit.covariance()
    _refuse_unsure(fit, covariance)
    names = [FIGURES[fit.lens.model][k] for k in fit.free]
    rms_all = adjusted_lens(
        kept, fit.lens, [_pose(photo) for photo in everything.photos], names, robust=False
    )
    change, _ = fit.without()
    for k, view in enumerate(kept):
        place = used.index(k) if k in used else None
        photo = fit.photos[place] if place is not None else rms_all.photos[k]
        tilt, away = _sight(view, photo)
        reports.append(
            PhotoReport(
                name=view.name,
                corners=len(view.places_mm),
                rms_px=photo.rms_px if place is not None else _rms_under(view, fit.lens),
                focal_change=None if place is None else float(change[place][names.index("s")]),
                tilt_deg=tilt,
                distance_mm=away,
                used=place is not None,
                why_not="" if place is not None else "does not agree with the others",
            )
        )
    covered = coverage(views_used)
    calibration = Calibration(
        lens=fit.lens,
        u=_doubts(fit, covariance, names),
        rms_px=fit.rms_px,
        rms_all_px=rms_all.rms_px,
        foretold_px=best.foretold_px(),
        foretold={name: min(c.foretold_px() for c in some) for name, some in tried.items() if some},
        why=why,
        photos=tuple(reports),
        covered=covered,
        notices=(),
    )
    return replace(calibration, notices=tuple(lens_notices(calibration, views_used, fit, names)))


def _alike(views: Sequence[BoardView]) -> tuple[list[BoardView], list[PhotoReport]]:
    """Return the views at one size, those of another scaled to it if they are the same picture."""
    if not views:
        return [], []
    size, _ = Counter(view.size_px for view in views).most_common(1)[0]
    mirrored = sum(view.mirrored for view in views) * 2 > len(views)
    kept, dropped = [], []
    for view in views:
        across, down = size[0] / view.size_px[0], size[1] / view.size_px[1]
        why = ""
        if view.mirrored is not mirrored:
            why = "is mirrored" if view.mirrored else "is not mirrored, as the others are"
        elif abs(across / down - 1) > _SAME_RATIO:
            why = f"has another shape, {view.size_px[0]} × {view.size_px[1]} pixels"
        if why:
            dropped.append(PhotoReport(name=view.name, corners=len(view.places_mm), why_not=why))
        elif view.size_px != size:
            pixels = (view.pixels_px + 0.5) * [across, down] - 0.5
            kept.append(replace(view, size_px=size, pixels_px=pixels))
        else:
            kept.append(view)
    return kept, dropped


def _pose(photo: PhotoFit) -> tuple[Floats, Floats]:
    return photo.turn, photo.shift_mm


def _rough_fits(views: list[BoardView], models: Sequence[Model]) -> dict[Model, LensFit]:
    """Return a fit of all views by each model that can show them at all, with two terms of distortion."""
    found: dict[Model, LensFit] = {}
    fault: PictureError | None = None
    for model in models:
        try:
            lens, poses = started_lens(views, model)
        except PictureError as error:
            fault = error
            continue
        fit = adjusted_lens(views, lens, poses, (*_BASE, "k1", "k2"))
        for _ in range(_POSE_ROUNDS):
            poses, changed = _posed_anew(views, fit)
            if not changed:
                break
            fit = adjusted_lens(views, fit.lens, poses, (*_BASE, "k1", "k2"))
        found[model] = fit
    if not found and fault is not None:
        raise fault
    return found


def _posed_anew(views: list[BoardView], fit: LensFit) -> tuple[list[tuple[Floats, Floats]], bool]:
    """Return the poses, those that are stuck in a wrong one found anew, and whether there were any."""
    poses, changed = [], False
    for view, photo in zip(views, fit.photos, strict=True):
        anew = _own_pose(view, fit.lens) if photo.rms_px > _HURTS * fit.noise_px else None
        if anew is not None and anew[2] < _CLEARLY_LESS * photo.rms_px:
            poses.append((anew[0], anew[1]))
            changed = True
        else:
            poses.append(_pose(photo))
    return poses, changed


def _own_pose(view: BoardView, lens: Lens) -> tuple[Floats, Floats, float] | None:
    """Return the pose of one view under a lens that is known, and its RMS.

    Flat formulas give the start; corners far from the axis, which they count for much, may lead them astray.
    """
    places = np.column_stack([view.places_mm, np.zeros(len(view.places_mm))])
    off = np.arccos(np.clip(np.nan_to_num(rays(lens, view.pixels_px)[:, 2], nan=-1.0), -1, 1))
    best: tuple[Floats, Floats, float] | None = None
    for share in (1.0, 0.5, 0.25):
        some = off <= np.quantile(off, share)
        first = first_pose(lens, places[some], view.pixels_px[some], "above")
        if first is None:
            continue
        photo = adjusted_lens([view], lens, [first[:2]], (), robust=False).photos[0]
        if best is None or photo.rms_px < best[2]:
            best = photo.turn, photo.shift_mm, photo.rms_px
    return best


def _agreeing(views: list[BoardView], whole: LensFit) -> list[int]:
    """Return the numbers of the views that agree with each other."""
    used, fit = list(range(len(views))), whole
    most = max(0, min(int(_MOST_HURT * len(views)), len(views) - LEAST_PHOTOS))
    while True:
        rms = np.array([photo.rms_px for photo in fit.photos])
        worst, usual = int(np.argmax(rms)), float(np.median(rms))
        if not (rms[worst] > _HURTS * usual and rms[worst] > usual + _HURTS_PX):
            return used
        if len(views) - len(used) == most:
            return list(range(len(views)))  # too many stand out: it is not these photos' fault
        del used[worst]
        poses = [_pose(photo) for k, photo in enumerate(fit.photos) if k != worst]
        fit = adjusted_lens([views[k] for k in used], fit.lens, poses, (*_BASE, "k1", "k2"))


def _candidates(views: list[BoardView], lens: Lens, poses: list[tuple[Floats, Floats]]) -> list[_Candidate]:
    """Return the fits of one model, plainest first; a lens that cannot be undone in the picture is none."""
    found = []
    model = lens.model
    straight = replace(lens, distortion=(0.0,) * len(lens.distortion))
    for terms in _TERMS[model]:
        start = lens if len(terms) >= 2 else straight  # what is held keeps the value that it starts with
        fit = adjusted_lens(views, start, poses, (*_BASE, *terms))
        found.append(_Candidate(fit=fit, costs=fit.without()[1]))
    best = min(found, key=lambda candidate: float(candidate.costs.sum())).fit
    names = [FIGURES[model][k] for k in best.free]
    fit = adjusted_lens(views, best.lens, [_pose(photo) for photo in best.photos], ("s", "a", *names[1:]))
    found.append(_Candidate(fit=fit, costs=fit.without()[1]))
    return [candidate for candidate in found if _can_be_undone(candidate.fit.lens)]


def _can_be_undone(lens: Lens) -> bool:
    across, down = lens.size_px
    edge = np.linspace(0, 1, 9)
    u, v = np.meshgrid(edge * (across - 1), edge * (down - 1))
    look = rays(lens, np.stack([u, v], axis=-1).reshape(-1, 2))
    # a scope's round picture may not reach into the corners, so a fisheye need not either
    return bool(np.isfinite(look).all()) or lens.model == "fisheye"


def _better(one: _Candidate, other: _Candidate, by: float) -> bool:
    """Return whether one foretells the photos better than another, by more than chance would.

    Ratios are compared, so that no single photo decides.
    """
    gain = np.log(np.maximum(other.costs, 1e-12)) - np.log(np.maximum(one.costs, 1e-12))
    doubt = np.sqrt(len(gain) * np.var(gain, ddof=1))
    return bool(gain.sum() > by * doubt)


def _plainest(some: list[_Candidate]) -> _Candidate:
    """Return the candidate with the fewest figures that no other beats by one standard error."""
    for candidate in sorted(some, key=lambda c: (len(c.fit.free), float(c.costs.sum()))):
        if not any(_better(other, candidate, _MORE_TERMS) for other in some):
            return candidate
    return min(some, key=lambda c: float(c.costs.sum()))


def _chosen(
    tried: dict[Model, list[_Candidate]], rough: dict[Model, LensFit], *, asked: bool
) -> tuple[_Candidate, str]:
    """Return the best candidate, and why."""
    best = {name: _plainest(some) for name, some in tried.items() if some}
    if not best:
        raise PictureError(
            "no lens was found that can be undone over the whole picture",
            remedy=f"{_ADD}; a wide-angle lens may need --model fisheye",
        )
    if len(best) == 2:
        pin, fish = best["pinhole"], best["fisheye"]
        pair = f"{pin.foretold_px():.3f} px as a pinhole, {fish.foretold_px():.3f} px as a fisheye"
        if _better(fish, pin, _OTHER_MODEL):
            take, words = fish, f"fisheye: photos it has not seen are foretold to {pair}"
        elif _better(pin, fish, _OTHER_MODEL):
            take, words = pin, f"pinhole: photos it has not seen are foretold to {pair}"
        else:
            take, words = pin, f"pinhole: either model would do ({pair}), and this is the plainer one"
    else:
        ((name, take),) = best.items()
        words = f"{name}: as asked for" if asked else f"{name}: the other kind cannot show the board so"
        for other in rough:
            if other in tried and other != name:
                words = f"{name}: no {other} lens found can be undone over the whole picture"
            elif other != name:
                words = (
                    f"{name}: corners are missed by {rough[name].rms_px:.2f} px, as a {other} by"
                    f" {rough[other].rms_px:.1f} px"
                )
    names = [FIGURES[take.fit.lens.model][k] for k in take.fit.free]
    held = [name for name in FIGURES[take.fit.lens.model] if name not in names and name != "a"]
    if held:
        words += f"; held at zero, since the photos do not tell: {', '.join(held)}"
    if "a" not in names:
        words += "; pixels taken to be square"
    return take, words


def _rms_under(view: BoardView, lens: Lens) -> float | None:
    found = _own_pose(view, lens)
    return None if found is None else found[2]


def _sight(view: BoardView, photo: PhotoFit) -> tuple[float, float]:
    """Return the tilt [°] and the distance [mm] of the middle of what was seen of the board."""
    turn = cv2.Rodrigues(photo.turn)[0]
    sight = turn[:, :2] @ view.places_mm.mean(axis=0) + photo.shift_mm
    away = max(float(np.linalg.norm(sight)), 1e-12)
    return float(np.degrees(np.arccos(min(abs(float(turn[:, 2] @ sight)) / away, 1.0)))), away


def _refuse_square_on(fit: LensFit, used: list[int]) -> None:
    normals = np.array([cv2.Rodrigues(fit.photos[k].turn)[0][:, 2] for k in used])
    middle = normals.mean(axis=0)
    middle /= np.linalg.norm(middle)
    apart = float(np.degrees(np.arccos(np.clip(normals @ middle, -1, 1))).max())
    tilts = [float(np.degrees(np.arccos(np.clip(-normal[2], -1, 1)))) for normal in normals]
    if max(tilts) < _SQUARE_ON_DEG:
        raise PictureError(
            f"all {len(used)} photos look square-on at the board (to {max(tilts):.0f}°), which leaves the"
            " focal length open",
            remedy=_ADD,
        )
    if apart < _ALIKE_DEG / 2:
        raise PictureError(
            f"all {len(used)} photos look at the board from the same side (within {apart:.0f}°)", remedy=_ADD
        )


def _refuse_unsure(fit: LensFit, covariance: Floats) -> None:
    names = [FIGURES[fit.lens.model][k] for k in fit.free]
    sd = dict(zip(names, np.sqrt(np.diag(covariance)), strict=True))
    if not sd["s"] < _FOCAL_UNSURE:
        raise PictureError(f"the photos leave the focal length open by {100 * sd['s']:.0f} %", remedy=_ADD)
    middle = max(sd["cx"], sd["cy"])
    if not middle < _MIDDLE_UNSURE * max(fit.lens.size_px):
        raise PictureError(
            f"the photos leave the middle of the lens open by {middle:.0f} pixels", remedy=_ADD
        )


def _doubts(fit: LensFit, covariance: Floats, names: list[str]) -> dict[str, Any]:
    """Return standard uncertainties by the lens file's names."""
    lens = fit.lens
    sd = dict(zip(names, np.sqrt(np.diag(covariance)), strict=True))
    focal = float(sd["s"]) * lens.fx_px
    shape = 0.0
    if "a" in names:
        s, a = names.index("s"), names.index("a")
        both = covariance[np.ix_([s, a], [s, a])]
        ratio = lens.fy_px / lens.fx_px
        slope = np.array([lens.fy_px, lens.fy_px / ratio])
        shape = float(np.sqrt(max(slope @ both @ slope, 0.0)))
    scale = np.sqrt(np.diag(covariance))
    return {
        "fx_px": focal,
        "fy_px": shape if "a" in names else focal,
        "cx_px": float(sd["cx"]),
        "cy_px": float(sd["cy"]),
        "distortion": [float(sd.get(name, 0.0)) for name in FIGURES[lens.model][4:]],
        "correlation": {
            "order": list(names),
            "matrix": (covariance / scale[:, None] / scale).round(6).tolist(),
        },
    }
