"""From photos of a bore to one scaled, unrolled image of its wall.

With a ring or strip card in sight the photos' poses are adjusted together (`bore_pose`), with the bore's rim
and with heights that were measured; bare frames of a turned scope are joined by what they share of the wall
(`bare_frames`) and tied to a measured height. Each place of the wall is then taken from the photo that shows
it best (`wall_join`), its light evened, and its doubt worked out (`wall_doubt`). The image goes once round
the bore; its x is 0 at the exhaust centre line, its y is the height above the base face.

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

import numpy as np
from numpy.typing import NDArray

from portmap.errors import Notice, PictureError, QuantityError
from portmap.picture.bare_frames import bare_frames, bare_notices, bare_views, frame_views
from portmap.picture.bare_height import Tie, height_tie, tied_doubt, tied_poses
from portmap.picture.bare_strip import strip_notice
from portmap.picture.bore_cards import StripCard, strip_card
from portmap.picture.bore_pose import posed
from portmap.picture.bore_seat import CardSeat, card_middle_mm, seat_by_height, strip_span
from portmap.picture.bore_shots import BorePoses
from portmap.picture.camera import Lens, lens_document
from portmap.picture.lens_doubt import LensGuess, loosened
from portmap.picture.load import Picture
from portmap.picture.scaled import PlaceDoubt, ScaledImage, displacements
from portmap.picture.strip_frames import alone_unsure, strip_frames, strip_scant_notice
from portmap.picture.strip_size import StripSize, strip_size
from portmap.picture.unroll_frame import REACH, seen_wall, wall_behind_strip, wall_frame
from portmap.picture.unroll_notices import (
    Unrolling,
    apart_words,
    height_off_notice,
    size_words,
    strip_off_notices,
    unroll_notices,
)
from portmap.picture.unroll_photos import (
    FoundPhotos,
    card_views,
    lens_known_at,
    marked_photos,
    photo_facts,
    with_far_rims,
    with_rims,
)
from portmap.picture.wall_agree import Apart, photos_apart
from portmap.picture.wall_doubt import wall_doubt
from portmap.picture.wall_heights import ToldHeight, seen_heights
from portmap.picture.wall_join import joined
from portmap.picture.wall_light import EVEN_LEVEL
from portmap.picture.wall_photos import PhotoWall, photo_walls
from portmap.picture.wall_sight import sight_document
from portmap.picture.wall_view import Nodes, View, WallFrame, spread_out

__all__ = ["Unrolled", "unroll"]

Floats = NDArray[np.float64]

_STEP_MM = 0.05
_UNSURE_MM = 0.5  # 95 %: as good as not seen
_RING_OFF_MM = 0.3  # by which a height may be off what a ring, that lies on a face, has it as (judgement)
_LEAST_TO_REFINE = 60  # corners over all photos


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Unrolled:
    """A wall image and what of it is seen.

    Parameters
    ----------
    image : ScaledImage
    coverage : ndarray of shape (M, N) and dtype uint8
        255 where the place is sure, less where it is not, 0 where the wall is not seen.
    photos : tuple of PhotoWall
        What each photo shows, if they look along the bore.
    """

    image: ScaledImage
    coverage: NDArray[np.uint8]
    photos: tuple[PhotoWall, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Placed:
    """Photos with their poses, and what the way to them has to say."""

    views: list[View]
    poses: BorePoses
    pictures: dict[str, Picture]
    range_mm: tuple[float, float]
    strip_mm: tuple[float, float] | None
    middle_mm: float
    source: dict[str, Any]
    photo_facts: list[dict[str, Any]]
    notices: list[Notice]
    tie: Tie | None = None
    size: StripSize | None = None
    unmarked: tuple[str, ...] = ()
    blurred: tuple[str, ...] = ()
    refine_refused: bool = False


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Scant:
    """What it takes to use a strip of which little is in sight; without a lens it is not used."""

    pictures: Sequence[Picture]
    card_bore_mm: float
    height_mm: float
    lens: LensGuess | None


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
    heights: Sequence[ToldHeight] = (),
    step_deg: float | None = None,
    mirrored: bool = False,
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
    heights : sequence of ToldHeight, optional
        Heights of roofs or floors that were measured: they tell how high a card lies, and tie bare frames.
    step_deg : float, optional
        Of frames without a card: by how much the scope was turned from each to the next [deg].
    mirrored : bool, optional
        Of frames without a card: whether they are mirrored.
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
    found = marked_photos(pictures, card_bore_mm or bore_mm, lens, lens_u, strip_height_mm, laid, tell)
    known = None if lens is None else lens_known_at(lens, lens_u, _size_px(pictures[0]))
    scant = _Scant(
        pictures=pictures,
        card_bore_mm=card_bore_mm or bore_mm,
        height_mm=strip_height_mm,
        lens=None if refine_lens else known,
    )
    placed = None
    if not found.photos:
        placed = _by_scant_strip(scant, found, laid, bore_mm, deck_mm, heights, tell)
    if placed is None and (found.photos or (step_deg is None and not heights)):
        placed = _by_card(found, laid, bore_mm, deck_mm, lens, refine_lens, heights, scant, tell)
    elif placed is None:
        placed = _by_overlap(pictures, bore_mm, deck_mm, known, heights, step_deg, mirrored, tell)
    views, poses = placed.views, placed.poses
    frame = wall_frame(
        views,
        bore_mm + 2 * poses.wall_out_mm,
        mm_per_px or _STEP_MM,
        range_mm=placed.range_mm,
        strip_mm=placed.strip_mm,
        low_mm=low_mm,
        high_mm=high_mm,
    )
    radius = frame.bore_mm / 2
    tell("Comparing the photos")
    apart = _apart(views, frame, placed.strip_mm)
    tell("Unrolling the wall")
    wall = joined(views, frame)
    nodes, share, pixels = wall.nodes, wall.share, wall.pixels
    tell("Working out how sure each place is")
    doubt = wall_doubt(views, poses, share, nodes, radius, placed.middle_mm)
    if placed.tie is not None:
        doubt = tied_doubt(doubt, placed.tie)
    seen = seen_wall(frame, nodes, share, placed.strip_mm)
    pixels[~seen] = round(EVEN_LEVEL)
    tell("Unrolling each photo's own wall")
    photos = photo_walls(views, frame, wall, seen)
    coverage = _coverage(frame, nodes, doubt, seen)
    aslant = np.min(
        [
            np.where(part > 0, each.aslant_deg, 90.0)
            for each, part in zip(wall.shown, share.reshape(len(share), -1), strict=True)
        ],
        axis=0,
    ).reshape(nodes.shape)
    notices = [notice for picture in pictures for notice in picture.notices]
    notices += placed.notices
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
            size=placed.size,
            unmarked=placed.unmarked,
            blurred=placed.blurred,
            mirrored=tuple(view.name for view in views if view.mirrored),
            lens_told=lens is not None,
            refine_refused=placed.refine_refused,
            range_told=high_mm is not None or deck_mm is not None or frame.top_mm < REACH * bore_mm - 1.0,
        )
    )
    image = ScaledImage(
        pixels=pixels,
        mm_per_px=frame.step_mm,
        x0_mm=frame.left_mm,
        y0_mm=frame.top_mm,
        wraps=True,
        residual_mm=poses.rms_mm,
        source={
            **_source(placed, frame.bore_mm, bore_mm, deck_mm, heights, float(seen.mean())),
            "strip_mm": None if placed.strip_mm is None else list(wall_behind_strip(frame, placed.strip_mm)),
            "sight": sight_document(views, share, nodes, radius),
        },
        doubt=doubt,
        notices=tuple(notices),
    )
    return Unrolled(image=image, coverage=coverage, photos=photos)


def _by_card(
    found: FoundPhotos,
    seat: CardSeat,
    bore_mm: float,
    deck_mm: float | None,
    lens: Lens | None,
    refine_lens: bool,
    heights: Sequence[ToldHeight],
    scant: _Scant,
    tell: Callable[[str], None],
) -> _Placed:
    """Find the poses by the card, then by rim and measured heights too."""
    corners = sum(len(photo.marks.places_mm) for photo in found.photos)
    refined = refine_lens and lens is not None and corners >= _LEAST_TO_REFINE
    guesses = [loosened(guess) for guess in found.guesses] if refined else found.guesses
    photos = found.photos
    tell("Finding where the camera stood")
    poses = posed(photos, guesses, seat)
    if poses.kind == "ring":
        tell("Looking for the bore's rim beside the card")
        photos = with_rims(found, poses, seat)
        if any(photo.rim is not None for photo in photos):
            poses = posed(photos, guesses, seat)
        tell("Looking for the bore's far end")
        photos = with_far_rims(found, photos, poses, seat, deck_mm)
        if any(photo.far_rim is not None for photo in photos):
            poses = posed(photos, guesses, seat)
    size = _size(found, poses, seat)
    views = card_views(found, poses, deck_mm)
    few = 2 * len(found.photos) < len(scant.pictures)
    if poses.kind == "strip" and (few or alone_unsure(poses, views, bore_mm / 2)):
        placed = _by_scant_strip(scant, found, seat, bore_mm, deck_mm, heights, tell)
        if placed is not None:
            return replace(placed, size=size)
    card = found.photos[0].marks.card
    strip = strip_span(card, seat) if isinstance(card, StripCard) else None
    notices, told = list[Notice](), seat
    if heights:
        tell("Looking for what was measured")
        there = seen_heights(views, bore_mm, heights, strip)
        if isinstance(card, StripCard):
            seat = seat_by_height(seat, there.off_mm, there.u_mm)
            strip = strip_span(card, seat)
        if strip is None and abs(there.off_mm) > _RING_OFF_MM + 2 * there.u_mm:
            notices.append(height_off_notice(there.off_mm))
        else:
            tied = [replace(photo, heights=there.photos.get(photo.name)) for photo in photos]
            poses = posed(tied, guesses, seat)
        views = card_views(found, poses, deck_mm)
    kept = {view.name for view in views}
    marks = [photo.marks for photo in photos if photo.name in kept]
    bottom = 0.0
    top = deck_mm if deck_mm is not None else max(REACH * bore_mm, seat.low_mm)
    if seat.on == "deck" and strip is None:
        top, bottom = seat.deck_mm, max(0.0, seat.deck_mm - REACH * bore_mm)
    return _Placed(
        views=views,
        poses=poses,
        pictures={picture.name: picture for picture in found.pictures},
        range_mm=(bottom, top),
        strip_mm=strip,
        middle_mm=card_middle_mm(marks[0], seat),
        source={
            "seat": {"ring_on": seat.on} if poses.kind == "ring" else {"strip_y_mm": seat.low_mm},
            "paper_thickness_mm": seat.thickness_mm,
            "rim_seen_in": poses.rim_photos,
            "far_rim_seen_in": poses.far_rim_photos,
            "card_off_mm": [round(float(v), 4) for v in poses.seat[:3]],
            "card_larger": round(poses.ring_larger, 6),
            "markers_found": sum(mark.markers for mark in marks),
            "markers_on_card": len(card.markers()),
        },
        photo_facts=photo_facts(found, poses),
        notices=[*notices, *strip_off_notices(told, seat)],
        size=size,
        unmarked=tuple(found.unmarked),
        blurred=tuple(found.blurred),
        refine_refused=refine_lens and not refined,
    )


def _by_scant_strip(
    scant: _Scant,
    found: FoundPhotos,
    seat: CardSeat,
    bore_mm: float,
    deck_mm: float | None,
    heights: Sequence[ToldHeight],
    tell: Callable[[str], None],
) -> _Placed | None:
    """Find the poses by what a strip tells and by overlap, if a scope's frames show a little of a strip."""
    if scant.lens is None:
        return None
    marks = {photo.name: photo.marks for photo in found.photos}
    pictures = [picture for picture in scant.pictures if picture.name not in found.blurred]
    try:
        card = strip_card(scant.card_bore_mm, height_mm=scant.height_mm, thickness_mm=seat.thickness_mm)
    except QuantityError:
        return None  # no such strip is printed: there is none in sight
    frames = strip_frames(
        pictures,
        [marks.get(picture.name) for picture in pictures],
        card,
        scant.lens,
        seat,
        bore_mm,
        heights,
        tell,
    )
    if frames is None:
        return None
    facts = [
        {"markers_found": 0 if each is None else each.markers, "mirrored": frames.mirrored}
        for each in frames.marks
    ]
    return _Placed(
        views=frame_views(
            frames.pictures, frames.poses, frames.mirrored, (0.0, math.inf if deck_mm is None else deck_mm)
        ),
        poses=frames.poses,
        pictures={picture.name: picture for picture in frames.pictures},
        range_mm=(0.0, deck_mm if deck_mm is not None else max(REACH * bore_mm, frames.seat.low_mm)),
        strip_mm=strip_span(card, frames.seat),
        middle_mm=frames.seat.low_mm + card.height_mm / 2,
        source={
            "seat": {"strip_y_mm": frames.seat.low_mm},
            "paper_thickness_mm": seat.thickness_mm,
            "markers_found": sum(int(each["markers_found"]) for each in facts),
            "markers_on_card": len(card.markers()),
        },
        photo_facts=facts,
        notices=[strip_scant_notice(frames), *strip_off_notices(seat, frames.seat)],
        blurred=tuple(found.blurred),
    )


def _by_overlap(
    pictures: Sequence[Picture],
    bore_mm: float,
    deck_mm: float | None,
    lens: LensGuess | None,
    heights: Sequence[ToldHeight],
    step_deg: float | None,
    mirrored: bool,
    tell: Callable[[str], None],
) -> _Placed:
    """Find the poses of bare frames by what they share, and tie them to the heights that were measured."""
    frames = bare_frames(pictures, bore_mm, lens, step_deg=step_deg, mirrored=mirrored, tell=tell)
    tell("Looking for what was measured")
    tie = height_tie(frames, bore_mm, heights)
    poses = tied_poses(frames.poses, tie)
    top = REACH * bore_mm if deck_mm is None else deck_mm
    return _Placed(
        views=bare_views(frames, poses, (0.0, math.inf if deck_mm is None else deck_mm)),
        poses=poses,
        pictures={picture.name: picture for picture in frames.pictures},
        range_mm=(0.0, top),
        strip_mm=tie.strip_mm,
        middle_mm=0.0,
        source={"step_deg": round(frames.step_deg, 4), "markers_found": 0},
        photo_facts=[{"mirrored": mirrored} for _ in frames.pictures],
        notices=[*bare_notices(frames), *([] if tie.strip_mm is None else [strip_notice()])],
        tie=tie,
    )


def _size_px(picture: Picture) -> tuple[int, int]:
    rows, columns = picture.pixels.shape[:2]
    return columns, rows


def _size(found: FoundPhotos, poses: BorePoses, seat: CardSeat) -> StripSize | None:
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


def _apart(views: Sequence[View], frame: WallFrame, strip_mm: tuple[float, float] | None) -> Apart | None:
    """Return which photos may show another wall than the rest; complain if it is sure that some do."""
    low_mm = frame.top_mm - (frame.rows - 1) * frame.step_mm
    apart = photos_apart(views, frame.bore_mm, (low_mm, frame.top_mm), strip_mm)
    if apart is not None and apart.sure:
        raise PictureError(
            f"the photos show two cylinders: {apart_words(apart)}",
            where=apart.names[0],
            remedy="give photos of one cylinder only",
        )
    return apart


def _coverage(
    frame: WallFrame, nodes: Nodes, doubt: PlaceDoubt, seen: NDArray[np.bool_]
) -> NDArray[np.uint8]:
    moves = displacements(doubt, nodes.places_mm)
    sd = np.sqrt((moves**2).sum(axis=0)).max(axis=1).reshape(nodes.shape)
    sure = np.clip(255.0 * (1 - 1.96 * sd / _UNSURE_MM), 1, 255).astype(np.float32)
    whole = spread_out(sure, nodes, slice(0, frame.rows), slice(0, frame.columns))
    return np.where(seen, np.rint(whole), 0).astype(np.uint8)


def _source(
    placed: _Placed,
    bore_mm: float,
    told_mm: float,
    deck_mm: float | None,
    heights: Sequence[ToldHeight],
    covered: float,
) -> dict[str, Any]:
    facts = []
    for pose, more in zip(placed.poses.poses, placed.photo_facts, strict=True):
        lens = placed.poses.lenses[pose.lens].lens
        facts.append(
            {
                "name": pose.name,
                "sha256": placed.pictures[pose.name].sha256,
                "size_px": list(lens.size_px),
                "corners_found": pose.corners,
                "corners_used": pose.used,
                "corner_noise_px": round(pose.noise_px, 4),
                "rms_px": round(pose.rms_px, 4),
                "rms_mm": round(pose.rms_mm, 5),
                **more,
                "turn_rad": [round(float(v), 8) for v in pose.turn],
                "shift_mm": [round(float(v), 5) for v in pose.shift_mm],
                "lens": pose.lens,
            }
        )
    figures = ("model", "fx_px", "fy_px", "cx_px", "cy_px", "distortion")
    return {
        "card": f"{placed.poses.kind} {told_mm:g} mm" if placed.poses.kind != "bare" else "none",
        "bore_mm": round(bore_mm, 4),
        "bore_told_mm": told_mm,
        "deck_mm": deck_mm,
        **placed.source,
        "heights_mm": [
            {"window": told.window, "edge": told.edge, "height_mm": told.height_mm, "u_mm": told.u_mm}
            for told in heights
        ],
        "covered_share": round(covered, 4),
        "lenses": [
            {name: value for name, value in lens_document(guess.lens).items() if name in figures}
            for guess in placed.poses.lenses
        ],
        "pictures": facts,
    }
