"""What makes an unrolled wall doubtful, in words for the porter.

===============  =======================================================================================
code             when
===============  =======================================================================================
no-marks         a photo shows no card and was left out
blurred          a photo is far less sharp than the others and was left out
contradicts      a photo's corners fit no pose that agrees with the others; it was left out
strip-size       a strip's squares seem to be of another size than the told bore's
two-cylinders    nothing on the wall in some photos is like what the others show there
mirrored-photo   a photo was mirrored, as scopes with a mirror make them; it was turned right
lens-guessed     no lens file was given: what was found, and how sure it is
lens-not-refined too few corners to refine the lens
rim-not-seen     the bore's rim is not seen beside the ring: how the ring lies is only known as a hand lays it
not-covered      part of the wall between the image's ends is not seen
aslant           part of the wall is only seen far aslant
unsure-places    somewhere on the seen wall a place is known no better than 0.1 mm (95 %)
range-assumed    nobody told how far up the wall goes
strip-off        a strip lies elsewhere than told, by heights that were measured
height-off       a measured height does not agree with a ring
===============  =======================================================================================
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.errors import Notice
from portmap.picture.bore_seat import CardSeat
from portmap.picture.bore_shots import BorePoses
from portmap.picture.scaled import PlaceDoubt, displacements
from portmap.picture.strip_size import StripSize
from portmap.picture.wall_agree import Apart
from portmap.picture.wall_view import Nodes, WallFrame

__all__ = [
    "Unrolling",
    "apart_words",
    "height_off_notice",
    "size_words",
    "strip_off_notices",
    "unroll_notices",
]

Floats = NDArray[np.float64]

ASLANT_DEG = 75.0
_UNSURE_MM = 0.1
_SHARE = 0.01


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Unrolling:
    """What is known of an unrolled wall.

    Parameters
    ----------
    poses : BorePoses
    frame : WallFrame
    nodes : Nodes
    aslant_deg : ndarray of shape (V, W)
        The least of the photos that are used at each node.
    seen : ndarray of bool
        By pixel.
    coverage : ndarray of uint8
        By pixel.
    doubt : PlaceDoubt
    apart : Apart or None
        Photos that may show another wall.
    size : StripSize or None
        That a strip's squares seem to have.
    unmarked, blurred, mirrored : tuple of str
        Names of photos.
    lens_told, refine_refused, range_told : bool
    """

    poses: BorePoses
    frame: WallFrame
    nodes: Nodes
    aslant_deg: Floats
    seen: NDArray[np.bool_]
    coverage: NDArray[np.uint8]
    doubt: PlaceDoubt
    apart: Apart | None
    size: StripSize | None
    unmarked: tuple[str, ...]
    blurred: tuple[str, ...]
    mirrored: tuple[str, ...]
    lens_told: bool
    refine_refused: bool
    range_told: bool


def unroll_notices(facts: Unrolling) -> list[Notice]:
    """Return the notices that an unrolled wall calls for.

    Parameters
    ----------
    facts : Unrolling

    Returns
    -------
    list of Notice
    """
    found = _photos(facts)
    if facts.apart is not None:
        message = f"{apart_words(facts.apart)}: perhaps they are of two cylinders."
        found.append(Notice(code="two-cylinders", message=message[0].upper() + message[1:]))
    if facts.size is not None:
        found.append(Notice(code="strip-size", message=f"It seems that {size_words(facts.size)}."))
    if not facts.lens_told:
        found.append(Notice(code="lens-guessed", message=_lens_words(facts.poses)))
    if facts.refine_refused:
        found.append(
            Notice(
                code="lens-not-refined",
                message="The lens was not refined: too few corners of the card, or no lens file.",
            )
        )
    if facts.poses.kind == "ring" and not facts.poses.rim_photos:
        found.append(
            Notice(
                code="rim-not-seen",
                message="The bore's rim is not seen beside the ring, so how far off the middle it lies is"
                " unknown, and heights are unsure for that. Cut the hole along its line, 0.3 mm outside"
                " the bore, so that metal shows all round.",
            )
        )
    found += _wall(facts)
    if not facts.range_told:
        found.append(
            Notice(
                code="range-assumed",
                message=f"Nobody told how far up the wall goes: the image ends at"
                f" {facts.frame.top_mm:g} mm. Tell --deck-height or --to.",
            )
        )
    return found


def strip_off_notices(told: CardSeat, found: CardSeat) -> list[Notice]:
    """Return what is said of a strip that lies elsewhere than told.

    Parameters
    ----------
    told, found : CardSeat
        As told, and by heights that were measured.

    Returns
    -------
    list of Notice
        Empty if both agree.
    """
    lower = told.low_mm - found.low_mm
    if lower == 0.0:
        return []
    way = "lower" if lower > 0 else "higher"
    return [
        Notice(
            code="strip-off",
            message=f"By the height that was measured the strip lies {abs(lower):.1f} mm {way} than was told"
            f" (--strip-y {told.low_mm:g}). The height was taken: look which of the two is right.",
        )
    ]


def height_off_notice(off_mm: float) -> Notice:
    """Return what is said of a height that does not agree with a ring.

    Parameters
    ----------
    off_mm : float
        By how much the ring has the edge higher than it was measured.

    Returns
    -------
    Notice
    """
    way = "higher" if off_mm > 0 else "lower"
    return Notice(
        code="height-off",
        message=f"By the ring the edge whose height was measured lies {abs(off_mm):.1f} mm {way} than that."
        " The ring was taken. One of the two is wrong: measure again, and look which face the ring lies on,"
        " and at --bore.",
    )


def apart_words(apart: Apart) -> str:
    """Return in words which photos do not fit which.

    Parameters
    ----------
    apart : Apart

    Returns
    -------
    str
        The beginning of a sentence.

    Examples
    --------
    >>> apart_words(Apart(names=("c.jpg",), others=("a.jpg", "b.jpg"), likeness=0.03, sure=True))
    'nothing on the wall in c.jpg is like what a.jpg, b.jpg show there'
    """
    shows = "shows" if len(apart.others) == 1 else "show"
    return f"nothing on the wall in {_listed(apart.names)} is like what {_listed(apart.others)} {shows} there"


def size_words(size: StripSize) -> str:
    """Return in words how large a strip's squares are.

    Parameters
    ----------
    size : StripSize

    Returns
    -------
    str

    Examples
    --------
    >>> size_words(StripSize(names=("a.jpg",), stretch=1.044, bore_mm=48.0, told_mm=46.0, miss_px=0.1,
    ...                      told_miss_px=2.0, sure=True))
    "the strip's squares are 4.4 % larger than on the card for 46 mm, as on that for 48 mm"
    """
    way = "larger" if size.stretch > 1 else "smaller"
    like = ", as if it had been scaled in printing"
    if size.bore_mm is not None:
        like = f", as on that for {size.bore_mm:g} mm"
    percent = 100 * abs(size.stretch - 1)
    return f"the strip's squares are {percent:.1f} % {way} than on the card for {size.told_mm:g} mm{like}"


def _photos(facts: Unrolling) -> list[Notice]:
    found = []
    for code, names, words in (
        ("no-marks", facts.unmarked, "no card is seen in {} and {} left out."),
        ("blurred", facts.blurred, "{} far less sharp than the others and {} left out."),
        (
            "contradicts",
            facts.poses.set_aside,
            "The card in {} agrees with no place of the camera that suits the others; {} left out.",
        ),
        ("mirrored-photo", facts.mirrored, "{} mirrored, as a scope's mirror does; {} turned right."),
    ):
        if not names:
            continue
        was = "was" if len(names) == 1 else "were"
        listed = _listed(names)
        first = f"{listed} {was}" if words.startswith("{} ") else listed
        second = f"{'it' if len(names) == 1 else 'they'} {was}"
        text = words.format(first, second)
        found.append(Notice(code=code, message=text[0].upper() + text[1:]))
    return found


def _listed(names: tuple[str, ...]) -> str:
    if len(names) > 4:
        return f"{', '.join(names[:3])} and {len(names) - 3} more"
    return ", ".join(names)


def _lens_words(poses: BorePoses) -> str:
    lens, free = poses.lenses[0].lens, poses.lenses[0].free
    sd = math.sqrt(float(poses.covariance[0, 0])) if len(free) and free[0] == 0 else 0.0
    return (
        f"The lens was found from the card: focal length {lens.fx_px:.0f} px ±{196 * sd:.2g} % (95 %)."
        " A lens file (portmap lens) makes places surer."
    )


def _wall(facts: Unrolling) -> list[Notice]:
    found = []
    missing = 1.0 - float(facts.seen.mean())
    if missing > _SHARE:
        found.append(
            Notice(
                code="not-covered",
                message=f"{100 * missing:.0f} % of the wall between y {_low(facts.frame):.1f} and"
                f" {facts.frame.top_mm:.1f} mm is in no photo{_where(~facts.seen, facts.frame)};"
                " it is grey in the image.",
            )
        )
    edge = facts.nodes.margin
    inner = facts.aslant_deg[edge:-edge, edge:-edge]
    steep = (inner > ASLANT_DEG) & (inner < 90)
    if steep.mean() > _SHARE:
        found.append(
            Notice(
                code="aslant",
                message=f"{100 * steep.mean():.0f} % of the wall is only seen more than {ASLANT_DEG:.0f}°"
                f" aslant, up to {inner[steep].max():.0f}°: its places are less sure.",
            )
        )
    moves = displacements(facts.doubt, facts.nodes.places_mm)
    sd = np.sqrt((moves**2).sum(axis=0)).max(axis=1).reshape(facts.nodes.shape)[edge:-edge, edge:-edge]
    cell = facts.nodes.cell_px
    there = facts.seen[cell // 2 :: cell, cell // 2 :: cell]
    rows, columns = (min(a, b) for a, b in zip(sd.shape, there.shape, strict=True))
    seen_sd = sd[:rows, :columns][there[:rows, :columns]]
    if seen_sd.size and 1.96 * float(seen_sd.max()) > _UNSURE_MM:
        found.append(
            Notice(
                code="unsure-places",
                message=f"Places on the wall may be off by {1.96 * float(np.median(seen_sd)):.2f} mm (95 %,"
                f" median), by {1.96 * float(seen_sd.max()):.2f} mm at worst.",
            )
        )
    return found


def _low(frame: WallFrame) -> float:
    return frame.top_mm - (frame.rows - 1) * frame.step_mm


def _where(missing: NDArray[np.bool_], frame: WallFrame) -> str:
    """Return where whole stretches of height or of turn are missing, if any."""
    columns = np.flatnonzero(missing.mean(axis=0) > 0.9)
    if not len(columns):
        return ""
    gaps = np.split(columns, np.flatnonzero(np.diff(columns) > 1) + 1)
    widest = max(gaps, key=len)
    low, high = (frame.left_mm + float(at) * frame.step_mm for at in (widest[0], widest[-1]))
    return f", most of all from x {low:.0f} to {high:.0f} mm"
