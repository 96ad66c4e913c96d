"""From photos of a bore with a ring or strip card to one scaled, unrolled image of its wall.

The photos' poses are adjusted together (`bore_pose`); each place of the wall is then taken from the photo
that shows it best (`wall_join`), its light evened, and its doubt worked out (`wall_doubt`). The image goes
once round the bore; its x is 0 at the exhaust centre line, its y is the height above the base face.

Glossary
--------
coverage
    255 where the wall is seen and sure, less where its place is doubtful, 0 where no photo shows it or the
    strip hides it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from portmap.errors import PictureError, QuantityError
from portmap.picture.bore_cards import StripCard
from portmap.picture.bore_marks import BoreMarks, bore_marks
from portmap.picture.bore_pose import posed
from portmap.picture.bore_rim import rim_in_photo
from portmap.picture.bore_seat import CardSeat, card_middle_mm
from portmap.picture.bore_shots import BorePoses, MarkedPhoto
from portmap.picture.camera import Lens, resized
from portmap.picture.lens_doubt import LensGuess, guessed_lens, known_lens, loosened
from portmap.picture.load import Picture
from portmap.picture.scaled import PlaceDoubt, ScaledImage, displacements
from portmap.picture.strip_size import StripSize, strip_size
from portmap.picture.unroll_notices import Unrolling, apart_words, size_words, unroll_notices
from portmap.picture.wall_agree import Apart, photos_apart
from portmap.picture.wall_doubt import wall_doubt
from portmap.picture.wall_join import CELL_PX, MARGIN, lit_views, shares, wall_pixels
from portmap.picture.wall_light import EVEN_LEVEL
from portmap.picture.wall_view import Nodes, View, WallFrame, nodes_of, shown_by, spread_out

__all__ = ["Unrolled", "unroll"]

Floats = NDArray[np.float64]

_STEP_MM = 0.05
_REACH = 1.2  # bores above the base face (or below the deck), where nothing else tells how far the wall goes
_BLURRED = 0.4  # of the photos' median sharpness
_LEAST_COVERED = 0.05  # of a row's columns, for it to be in the image
_PIXEL_LIMIT = 60_000_000
_SIDE_LIMIT_PX = 32_000
_STRIP_RIM_MM = 0.3
_UNSURE_MM = 0.5  # 95 %: as good as not seen
_LEAST_TO_REFINE = 60  # corners over all photos
_DROP_FROM = 4  # photos: of fewer each is needed


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Unrolled:
    """A wall image and what of it is seen.

    Parameters
    ----------
    image : ScaledImage
    coverage : ndarray of shape (M, N) and dtype uint8
        255 where the place is sure, less where it is not, 0 where the wall is not seen.
    """

    image: ScaledImage
    coverage: NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Found:
    """The photos sorted by what they are good for."""

    pictures: list[Picture]
    photos: list[MarkedPhoto]
    guesses: list[LensGuess]
    unmarked: list[str]
    blurred: list[str]


def unroll(
    pictures: Sequence[Picture],
    bore_mm: float,
    *,
    lens: Lens | None = None,
    lens_u: dict[str, Any] | None = None,
    refine_lens: bool = False,
    seat: CardSeat | None = None,
    card_bore_mm: float | None = None,
    strip_height_mm: float = 20.0,
    deck_mm: float | None = None,
    mm_per_px: float | None = None,
    low_mm: float | None = None,
    high_mm: float | None = None,
    tell: Callable[[str], None] = lambda message: None,
) -> Unrolled:
    """Return the wall of a bore as its photos show it, unrolled and to scale.

    Parameters
    ----------
    pictures : sequence of Picture
        Photos with the same card in them.
    bore_mm : float
        The bore [mm].
    lens : Lens, optional
        Calibrated; otherwise its focal length and distortion are found from the card.
    lens_u : dict, optional
        Standard uncertainties of its figures, as a lens file states them.
    refine_lens : bool, optional
        Let the card correct a calibrated lens a little.
    seat : CardSeat, optional
        How the card lies; a ring on the base face, a strip's lower edge at height 0, unless told.
    card_bore_mm : float, optional
        That the card was printed for, if it is not `bore_mm` [mm].
    strip_height_mm : float, optional
        Of the strip's paper [mm].
    deck_mm : float, optional
        Height of the deck above the base face [mm].
    mm_per_px : float, optional
        Size of a pixel; 0.05 mm unless told. It is altered by up to 0.02 % so that a whole number of them
        goes round.
    low_mm, high_mm : float, optional
        From where to where in y; what is covered unless told.
    tell : callable, optional
        Is told what is being done.

    Returns
    -------
    Unrolled

    Raises
    ------
    PictureError
        If no photo shows the card, it is for another bore, the photos contradict one another or show two
        cylinders.
    QuantityError
        If a size makes no sense.
    """
    if not pictures:
        raise PictureError("no photo was given", remedy="name one photo or more")
    if mm_per_px is not None and not 0.01 <= mm_per_px <= 1.0:
        raise QuantityError(
            f"{mm_per_px:g} mm a pixel", where="mm_per_px", remedy="give 0.01 to 1 mm, such as 0.05"
        )
    laid = replace(seat or CardSeat(), bore_mm=bore_mm)
    found = _marked(pictures, card_bore_mm or bore_mm, lens, lens_u, strip_height_mm, laid, tell)
    corners = sum(len(photo.marks.places_mm) for photo in found.photos)
    guesses = found.guesses
    refined = refine_lens and lens is not None and corners >= _LEAST_TO_REFINE
    if refined:
        guesses = [loosened(guess) for guess in guesses]
    tell("Finding where the camera stood")
    poses = posed(found.photos, guesses, laid)
    if poses.kind == "ring":
        tell("Looking for the bore's rim beside the card")
        rimmed = _with_rims(found, poses, laid)
        if any(photo.rim is not None for photo in rimmed):
            poses = posed(rimmed, guesses, laid)
    size = _size(found, poses, laid)
    views = _views(found, poses, deck_mm)
    marks = [photo.marks for photo in found.photos if photo.name in {view.name for view in views}]
    radius = bore_mm / 2
    frame = _frame(views, marks[0], laid, bore_mm, deck_mm, mm_per_px or _STEP_MM, low_mm, high_mm)
    nodes = nodes_of(frame, CELL_PX, MARGIN)
    tell("Comparing the photos")
    apart = _apart(views, frame, marks[0], laid)
    tell("Choosing the best view of each place")
    shown = [shown_by(view, radius, nodes.places_mm) for view in views]
    lit = lit_views(views, shown, nodes, radius)
    share = shares(shown, nodes, lit)
    tell("Unrolling the wall")
    pixels = wall_pixels(views, frame, share, [each.gain for each in lit], nodes)
    tell("Working out how sure each place is")
    doubt = wall_doubt(views, poses, share, nodes, radius, card_middle_mm(marks[0], laid))
    seen = _seen(frame, nodes, share, marks[0], laid)
    pixels[~seen] = round(EVEN_LEVEL)
    coverage = _coverage(frame, nodes, doubt, seen)
    aslant = np.min(
        [
            np.where(part > 0, each.aslant_deg, 90.0)
            for each, part in zip(shown, share.reshape(len(share), -1), strict=True)
        ],
        axis=0,
    ).reshape(nodes.shape)
    notices = [notice for picture in pictures for notice in picture.notices]
    notices += unroll_notices(
        Unrolling(
            poses=poses,
            frame=frame,
            nodes=nodes,
            aslant_deg=aslant,
            seen=seen,
            coverage=coverage,
            doubt=doubt,
            apart=apart,
            size=size,
            unmarked=tuple(found.unmarked),
            blurred=tuple(found.blurred),
            mirrored=tuple(view.name for view in views if view.mirrored),
            lens_told=lens is not None,
            refine_refused=refine_lens and not refined,
            range_told=high_mm is not None or deck_mm is not None or frame.top_mm < _REACH * bore_mm - 1.0,
        )
    )
    image = ScaledImage(
        pixels=pixels,
        mm_per_px=frame.step_mm,
        x0_mm=frame.left_mm,
        y0_mm=frame.top_mm,
        wraps=True,
        residual_mm=poses.rms_mm,
        source=_source(found, poses, marks, laid, (bore_mm, deck_mm), float(seen.mean())),
        doubt=doubt,
        notices=tuple(notices),
    )
    return Unrolled(image=image, coverage=coverage)


def _marked(
    pictures: Sequence[Picture],
    card_bore_mm: float,
    lens: Lens | None,
    lens_u: dict[str, Any] | None,
    strip_height_mm: float,
    seat: CardSeat,
    tell: Callable[[str], None],
) -> _Found:
    """Look for the card in each photo, and sort the photos by what they are good for."""
    kept: list[tuple[Picture, BoreMarks, float]] = []
    without: list[tuple[str, float]] = []
    for number, picture in enumerate(pictures):
        tell(f"Looking for the card in {picture.name} ({number + 1} of {len(pictures)})")
        gray = np.asarray(cv2.cvtColor(picture.pixels, cv2.COLOR_RGB2GRAY), np.uint8)
        try:
            marks = bore_marks(
                gray, card_bore_mm, strip_height_mm=strip_height_mm, thickness_mm=seat.thickness_mm
            )
        except PictureError as error:
            raise error.at(picture.name) from None
        if marks is None:
            without.append((picture.name, _sharpness(gray)))
        else:
            kept.append((picture, marks, _sharpness(gray)))
    least = _BLURRED * float(np.median([sharp for _, _, sharp in kept])) if kept else 0.0
    # a blurred photo may have lost its card to that
    blurred = [name for name, sharp in without if sharp < least]
    unmarked = [name for name, sharp in without if sharp >= least]
    if len(kept) >= _DROP_FROM:
        blurred += [picture.name for picture, _, sharp in kept if sharp < least]
        kept = [each for each in kept if each[2] >= least]
    kinds: dict[tuple[tuple[int, int], float | None], int] = {}
    guesses: list[LensGuess] = []
    photos: list[MarkedPhoto] = []
    for picture, marks, _ in kept:
        rows, columns = picture.pixels.shape[:2]
        focal = None if lens is not None else picture.focal_35mm_mm
        kind = ((columns, rows), focal)
        if kind not in kinds:
            kinds[kind] = len(guesses)
            try:
                guesses.append(
                    guessed_lens((columns, rows), focal)
                    if lens is None
                    else _known_at(lens, lens_u, (columns, rows))
                )
            except PictureError as error:
                raise error.at(picture.name) from None
        photos.append(MarkedPhoto(name=picture.name, marks=marks, lens=kinds[kind]))
    return _Found(
        pictures=[picture for picture, _, _ in kept],
        photos=photos,
        guesses=guesses,
        unmarked=unmarked,
        blurred=blurred,
    )


def _known_at(lens: Lens, lens_u: dict[str, Any] | None, size_px: tuple[int, int]) -> LensGuess:
    guess = known_lens(lens, lens_u)
    same = resized(lens, size_px)
    scale = size_px[0] / lens.size_px[0]
    stretch = np.ones(len(guess.sd))
    stretch[1:3] = scale
    return LensGuess(lens=same, covariance=guess.covariance * np.outer(stretch, stretch), told=True)


def _sharpness(gray: NDArray[np.uint8]) -> float:
    """Return the steepness of the steepest thousandth of a picture, as a share of its contrast.

    Across or down, whichever is less steep: a photo may be shaken one way only.
    """
    small = gray[::2, ::2] if gray.size > 4_000_000 else gray
    low, high = np.percentile(small[::8, ::8], (2, 99))
    steepest = []
    for along in ((1, 0), (0, 1)):
        steep = np.abs(cv2.Scharr(small, cv2.CV_16S, *along)[::2, ::2]).ravel()
        rank = max(1, steep.size // 1000)
        steepest.append(float(np.partition(steep, -rank)[-rank]))
    return min(steepest) / max(float(high - low), 1.0)


def _views(found: _Found, poses: BorePoses, deck_mm: float | None) -> list[View]:
    by_name = {
        photo.name: (photo, picture) for photo, picture in zip(found.photos, found.pictures, strict=True)
    }
    views = []
    for pose in poses.poses:
        photo, picture = by_name[pose.name]
        views.append(
            View(
                name=pose.name,
                pixels=picture.pixels,
                lens=poses.lenses[pose.lens].lens,
                turn=pose.turn,
                shift_mm=pose.shift_mm,
                mirrored=photo.marks.mirrored,
                ends_mm=(0.0, math.inf if deck_mm is None else deck_mm),
            )
        )
    return views


def _with_rims(found: _Found, poses: BorePoses, seat: CardSeat) -> list[MarkedPhoto]:
    """Return the photos with the bore's rim in those that show it."""
    known = {pose.name: pose for pose in poses.poses}
    made = []
    for photo, picture in zip(found.photos, found.pictures, strict=True):
        pose = known.get(photo.name)
        rim = None
        if pose is not None:
            rim = rim_in_photo(
                picture.pixels[:, ::-1] if photo.marks.mirrored else picture.pixels,
                poses.lenses[pose.lens].lens,
                pose.turn,
                pose.shift_mm,
                radius_mm=(seat.bore_mm or photo.marks.card.bore_mm) / 2,
                level_mm=seat.deck_mm if seat.on == "deck" else 0.0,
            )
        made.append(replace(photo, rim=rim))
    return made


def _frame(
    views: Sequence[View],
    marks: BoreMarks,
    seat: CardSeat,
    bore_mm: float,
    deck_mm: float | None,
    step_mm: float,
    low_mm: float | None,
    high_mm: float | None,
) -> WallFrame:
    """Return the wall image's frame, from where to where it is told or the wall is seen."""
    top = deck_mm or 0.0
    bottom = 0.0
    if deck_mm is None:
        top = max(_REACH * bore_mm, seat.low_mm)
    if seat.on == "deck" and marks.kind == "ring":
        top = seat.deck_mm
        bottom = max(0.0, top - _REACH * bore_mm)
    rough = WallFrame.of(bore_mm, 0.5, bottom, top)
    nodes = nodes_of(rough, 2)
    worth = np.max([shown_by(view, bore_mm / 2, nodes.places_mm).worth for view in views], axis=0)
    covered = (worth.reshape(nodes.shape)[:, 1:-1] > 0).mean(axis=1) > _LEAST_COVERED
    if isinstance(marks.card, StripCard):
        below, above = nodes.y_mm <= seat.low_mm, nodes.y_mm >= seat.low_mm + marks.card.height_mm
        # past a strip at the bore's end there is a sliver of wall at most, and then what lies behind the bore
        less = above if covered[below].sum() >= covered[above].sum() else below
        covered[less] = False
        covered &= ~((nodes.y_mm > seat.low_mm) & (nodes.y_mm < seat.low_mm + marks.card.height_mm))
    covered &= (nodes.y_mm >= bottom) & (nodes.y_mm <= top)
    if not covered.any() and (low_mm is None or high_mm is None):
        raise PictureError(
            "no photo shows the wall of the bore, only the card",
            where=views[0].name,
            remedy="let the camera look into the bore past the card, from beside the axis",
        )
    heights = nodes.y_mm[covered]
    low = low_mm if low_mm is not None else max(bottom, math.floor(heights.min()))
    high = high_mm if high_mm is not None else min(top, math.ceil(heights.max()))
    if not high - low >= 1.0:
        raise QuantityError(
            f"from {low:g} to {high:g} mm is no stretch of wall", where="--to", remedy="give a larger one"
        )
    frame = WallFrame.of(bore_mm, step_mm, low, high)
    if frame.columns * frame.rows > _PIXEL_LIMIT or max(frame.columns, frame.rows) > _SIDE_LIMIT_PX:
        raise QuantityError(
            f"{step_mm:g} mm a pixel makes {frame.columns} × {frame.rows} pixels",
            where="mm_per_px",
            remedy="take larger pixels",
        )
    return frame


def _size(found: _Found, poses: BorePoses, seat: CardSeat) -> StripSize | None:
    """Return the size that a strip's squares seem to have, if it is another; complain if it is sure."""
    size = strip_size(found.photos, poses.lenses, seat)
    if size is not None and size.sure:
        raise PictureError(
            f"{size_words(size)}: corners miss by {size.told_miss_px:.2g} px, by {size.miss_px:.2g} px if so",
            where=size.names[0],
            remedy=f"print the strip for this bore at 100 % (portmap card strip --bore {size.told_mm:g}),"
            " or check --bore and --card-bore",
        )
    return size


def _apart(views: Sequence[View], frame: WallFrame, marks: BoreMarks, seat: CardSeat) -> Apart | None:
    """Return which photos may show another wall than the rest; complain if it is sure that some do."""
    hidden = None
    if isinstance(marks.card, StripCard):
        hidden = seat.low_mm, seat.low_mm + marks.card.height_mm
    low_mm = frame.top_mm - (frame.rows - 1) * frame.step_mm
    apart = photos_apart(views, frame.bore_mm, (low_mm, frame.top_mm), hidden)
    if apart is not None and apart.sure:
        raise PictureError(
            f"the photos show two cylinders: {apart_words(apart)}",
            where=apart.names[0],
            remedy="give photos of one cylinder only",
        )
    return apart


def _seen(
    frame: WallFrame, nodes: Nodes, share: NDArray[np.float32], marks: BoreMarks, seat: CardSeat
) -> NDArray[np.bool_]:
    """Return which pixels show the wall."""
    whole = (slice(0, frame.rows), slice(0, frame.columns))
    seen = spread_out(share.sum(axis=0), nodes, *whole) > 0.5
    if isinstance(marks.card, StripCard):
        y = frame.top_mm - np.arange(frame.rows) * frame.step_mm
        low, high = seat.low_mm - _STRIP_RIM_MM, seat.low_mm + marks.card.height_mm + _STRIP_RIM_MM
        seen[(y > low) & (y < high)] = False
    return np.asarray(seen)


def _coverage(
    frame: WallFrame, nodes: Nodes, doubt: PlaceDoubt, seen: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    moves = displacements(doubt, nodes.places_mm)
    sd = np.sqrt((moves**2).sum(axis=0)).max(axis=1).reshape(nodes.shape)
    sure = np.clip(255.0 * (1 - 1.96 * sd / _UNSURE_MM), 1, 255).astype(np.float32)
    whole = spread_out(sure, nodes, slice(0, frame.rows), slice(0, frame.columns))
    return np.where(seen, np.rint(whole), 0).astype(np.uint8)


def _source(
    found: _Found,
    poses: BorePoses,
    marks: Sequence[BoreMarks],
    seat: CardSeat,
    bore_deck_mm: tuple[float, float | None],
    covered: float,
) -> dict[str, Any]:
    by_name = {
        photo.name: (photo, picture) for photo, picture in zip(found.photos, found.pictures, strict=True)
    }
    facts, (bore_mm, deck_mm) = [], bore_deck_mm
    for pose in poses.poses:
        photo, picture = by_name[pose.name]
        lens = poses.lenses[pose.lens].lens
        facts.append(
            {
                "name": pose.name,
                "sha256": picture.sha256,
                "size_px": list(lens.size_px),
                "markers_found": photo.marks.markers,
                "corners_found": pose.corners,
                "corners_used": pose.used,
                "corner_noise_px": round(pose.noise_px, 4),
                "rms_px": round(pose.rms_px, 4),
                "rms_mm": round(pose.rms_mm, 5),
                "mirrored": photo.marks.mirrored,
                "turn_rad": [round(float(v), 8) for v in pose.turn],
                "shift_mm": [round(float(v), 5) for v in pose.shift_mm],
                "lens": pose.lens,
            }
        )
    return {
        "card": f"{poses.kind} {bore_mm:g} mm",
        "bore_mm": bore_mm,
        "deck_mm": deck_mm,
        "seat": {"ring_on": seat.on} if poses.kind == "ring" else {"strip_y_mm": seat.low_mm},
        "paper_thickness_mm": seat.thickness_mm,
        "rim_seen_in": poses.rim_photos,
        "card_off_mm": [round(float(v), 4) for v in poses.seat[:3]],
        "markers_found": sum(mark.markers for mark in marks),
        "markers_on_card": len(marks[0].card.markers()),
        "covered_share": round(covered, 4),
        "lenses": [
            {
                "model": guess.lens.model,
                "fx_px": guess.lens.fx_px,
                "fy_px": guess.lens.fy_px,
                "cx_px": guess.lens.cx_px,
                "cy_px": guess.lens.cy_px,
                "distortion": list(guess.lens.distortion),
            }
            for guess in poses.lenses
        ],
        "pictures": facts,
    }
