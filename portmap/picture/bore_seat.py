"""How a ring or strip card lies at a bore: what is told, where its corners then stand, how it may be off.

Frame of the bore: as in `bore_cards`.

Glossary
--------
seat
    How the card lies: shifts along X, Y, Z [mm] and turns about X, Y, Z [rad] of the card's frame against
    the bore's, all 0 if it lies as it should.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from portmap.picture.bore_cards import Seat, StripCard, ring_places, strip_places
from portmap.picture.bore_marks import BoreMarks

__all__ = [
    "PRINT_SD",
    "SEAT_SD",
    "STRIP_STRETCH_SD",
    "WALL_OUT_SD_MM",
    "CardSeat",
    "card_in_bore",
    "card_middle_mm",
    "moves_in_card",
    "seat_by_height",
    "seat_moves",
    "seat_sd",
    "strip_span",
    "strip_stretches",
]

Floats = NDArray[np.float64]

# One standard deviation; common practice, no source.
PRINT_SD = 0.0005  # of a ring's size, printed at 100 % and not measured
WALL_OUT_SD_MM = 0.01  # a worn bore's wall, against the bore as measured
# One standard deviation of a card laid by hand; common practice, no source. A ring is centred on the bore by
# eye and fingernail, its arrow set to the port's middle; a strip springs against the wall, and its mark and
# edge are set.
SEAT_SD: dict[str, tuple[float, float, float, float, float, float]] = {
    "ring": (0.05, 0.05, 0.02, 0.0005, 0.0005, 0.003),
    "strip": (0.01, 0.01, 0.05, 0.001, 0.001, 0.003),
}
# Of how far a strip reaches round the bore, by its print and by the bore that is told; of its height.
STRIP_STRETCH_SD = (0.001, 0.0005)

_AGREES = 3.0  # standard deviations that the told height of a strip and a measured one may be apart
_UNKNOWN_LOW_MM = 5.0  # standard deviation of a strip's height of which nothing is known


@dataclass(frozen=True, kw_only=True, slots=True)
class CardSeat:
    """How the card was laid.

    Parameters
    ----------
    on : {'base', 'deck'}
        The face that a ring lies on.
    deck_mm : float
        Height of the deck above the base face, if the ring lies there [mm].
    low_mm : float
        Height of a strip's lower edge above the base face [mm].
    thickness_mm : float
        Of the paper [mm].
    bore_mm : float, optional
        Of the cylinder; that the card was printed for unless told [mm].
    low_u_mm : float, optional
        Standard uncertainty of a strip's height; that of a hand that lays it unless told [mm].
    """

    on: Seat = "base"
    deck_mm: float = 0.0
    low_mm: float = 0.0
    thickness_mm: float = 0.1
    bore_mm: float | None = None
    low_u_mm: float | None = None


def strip_span(card: StripCard, seat: CardSeat) -> tuple[float, float]:
    """Return from where to where in y a strip lies.

    Parameters
    ----------
    card : StripCard
    seat : CardSeat

    Returns
    -------
    tuple of float
        [mm].
    """
    return seat.low_mm, seat.low_mm + card.height_mm


def seat_sd(kind: Literal["ring", "strip"], seat: CardSeat) -> Floats:
    """Return the standard deviations of the six figures of a card's seat.

    Parameters
    ----------
    kind : {'ring', 'strip'}
    seat : CardSeat

    Returns
    -------
    ndarray of shape (6,)
        Three of its place [mm], three of its turn [radian].

    Examples
    --------
    >>> seat_sd("strip", CardSeat(low_mm=40.0, low_u_mm=1.0)).tolist()
    [0.01, 0.01, 1.0, 0.001, 0.001, 0.003]
    """
    made = np.array(SEAT_SD[kind])
    if kind == "strip" and seat.low_u_mm is not None:
        made[2] = seat.low_u_mm
    return made


def seat_by_height(seat: CardSeat, off_mm: float, u_mm: float) -> CardSeat:
    """Return how a strip lies by heights that were measured, if it cannot lie where it is told to.

    Parameters
    ----------
    seat : CardSeat
    off_mm, u_mm : float
        By how much the strip alone has the wall too high, and the standard uncertainty of that by measuring.

    Returns
    -------
    CardSeat
        The same if both agree; else one that leaves its height to what was measured.

    Examples
    --------
    >>> seat_by_height(CardSeat(low_mm=40.0), 1.5, 0.05).low_mm
    38.5
    >>> seat_by_height(CardSeat(low_mm=40.0), 0.1, 0.05).low_mm
    40.0
    """
    if abs(off_mm) <= _AGREES * float(np.hypot(SEAT_SD["strip"][2], u_mm)):
        return seat
    return replace(seat, low_mm=seat.low_mm - off_mm, low_u_mm=_UNKNOWN_LOW_MM)


def card_in_bore(marks: BoreMarks, seat: CardSeat) -> Floats:
    """Return where the corners that a photo shows stand in the bore.

    Parameters
    ----------
    marks : BoreMarks
    seat : CardSeat

    Returns
    -------
    ndarray of shape (N, 3)
        (X, Y, Z) [mm].
    """
    if isinstance(marks.card, StripCard):
        return strip_places(marks.card, marks.places_mm, low_mm=seat.low_mm, bore_mm=seat.bore_mm)
    height = seat.deck_mm if seat.on == "deck" else 0.0
    return ring_places(marks.places_mm, seat=seat.on, seat_height_mm=height, thickness_mm=seat.thickness_mm)


def card_middle_mm(marks: BoreMarks, seat: CardSeat) -> float:
    """Return the height of a card's middle above the base face, about which its turns are counted [mm].

    Parameters
    ----------
    marks : BoreMarks
    seat : CardSeat

    Returns
    -------
    float
    """
    if isinstance(marks.card, StripCard):
        return seat.low_mm + marks.card.height_mm / 2
    return seat.deck_mm if seat.on == "deck" else 0.0


def strip_stretches(marks: BoreMarks, seat: CardSeat) -> Floats:
    """Return how a strip's corners move in the bore as the strip reaches further round it, and is taller.

    Parameters
    ----------
    marks : BoreMarks
        Of a strip.
    seat : CardSeat

    Returns
    -------
    ndarray of shape (N, 3, 2)
        Along both shares.

    Raises
    ------
    ValueError
        If the card is no strip.
    """
    card = marks.card
    if not isinstance(card, StripCard):
        raise ValueError("a ring is no strip")
    along, up = marks.places_mm.T
    radius = (seat.bore_mm or card.bore_mm) / 2
    turn, inside = along / (radius - card.thickness_mm / 2), radius - card.thickness_mm
    none = np.zeros_like(turn)
    further = np.stack([-inside * np.sin(turn) * turn, -inside * np.cos(turn) * turn, none], axis=1)
    return np.stack([further, np.stack([none, none, up], axis=1)], axis=2)


def seat_moves(places_mm: Floats, height_mm: float) -> Floats:
    """Return how places of the bore move in the card's frame with the six figures of its seat.

    Parameters
    ----------
    places_mm : ndarray of shape (N, 3)
        (X, Y, Z) of the bore.
    height_mm : float
        About which the card turns.

    Returns
    -------
    ndarray of shape (N, 3, 6)

    Examples
    --------
    >>> seat_moves(np.array([[20.0, 0, 30]]), 0.0)[0] + 0.0
    array([[ -1.,   0.,   0.,   0., -30.,   0.],
           [  0.,  -1.,   0.,  30.,   0., -20.],
           [  0.,   0.,  -1.,   0.,  20.,   0.]])
    """
    x, y, z = (places_mm - [0.0, 0.0, height_mm]).T
    none = np.zeros_like(x)
    turns = np.stack(
        [np.stack([none, -z, y], 1), np.stack([z, none, -x], 1), np.stack([-y, x, none], 1)], axis=2
    )
    return np.concatenate([-np.broadcast_to(np.eye(3), turns.shape), -turns], axis=2)


def moves_in_card(places_mm: Floats, height_mm: float) -> Floats:
    """Return how places of the wall move in the card's frame with its seat, its print's size and the wall.

    Parameters
    ----------
    places_mm : ndarray of shape (N, 3)
        (X, Y, Z) of the bore.
    height_mm : float
        About which the card turns.

    Returns
    -------
    ndarray of shape (N, 3, 8)
        Along the six figures of the seat; along the share by which the print is larger than it should be;
        and along the distance by which the wall stands further out than the bore says.

    Examples
    --------
    >>> moves_in_card(np.array([[20.0, 0, 30]]), 0.0)[0, :, 6:] + 0.0
    array([[-20.,   1.],
           [  0.,   0.],
           [-30.,   0.]])
    """
    from_middle = places_mm - [0.0, 0.0, height_mm]
    out = places_mm * [1.0, 1.0, 0.0]
    out /= np.linalg.norm(out, axis=1)[:, None]
    return np.concatenate([seat_moves(places_mm, height_mm), -from_middle[..., None], out[..., None]], axis=2)
