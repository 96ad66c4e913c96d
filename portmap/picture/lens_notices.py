"""What a porter must be told of a calibration: photos that hurt, a picture half seen, a lens that moved."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from portmap.errors import Notice
from portmap.picture.board_view import BoardView
from portmap.picture.lens_fit import LensFit, adjusted_lens

if TYPE_CHECKING:
    from portmap.picture.lens import Calibration

__all__ = ["COVERAGE_GRID", "coverage", "lens_notices", "photo_list"]

COVERAGE_GRID = (4, 5)  # rows, columns
_FEW_PHOTOS = 8
_NAMED = 4  # photos by name, then their count
_LEAST_IN_FIELD = 3  # corners
_FOCAL_SHARE, _FOCAL_SDS, _FOCAL_GAIN = 0.004, 4.0, 0.85
_STANDS_OUT = 2.0  # times the median photo's RMS
_MOVES_SDS = 1.0
_UNSURE_FOCAL = 0.01


def photo_list(names: Sequence[str]) -> str:
    """Return photos by name, the first few of many.

    Parameters
    ----------
    names : sequence of str

    Returns
    -------
    str

    Examples
    --------
    >>> photo_list(["a.jpg", "b.jpg", "c.jpg"]), photo_list([f"{n}.jpg" for n in range(9)])
    ('a.jpg, b.jpg and c.jpg', '0.jpg, 1.jpg, 2.jpg, 3.jpg and 5 more')
    """
    first = list(names[:_NAMED])
    if len(names) > _NAMED:
        return f"{', '.join(first)} and {len(names) - _NAMED} more"
    return first[0] if len(first) == 1 else f"{', '.join(first[:-1])} and {first[-1]}"


def coverage(views: Sequence[BoardView]) -> NDArray[np.int64]:
    """Return how many corners were seen in each field of the picture.

    Parameters
    ----------
    views : sequence of BoardView

    Returns
    -------
    ndarray of shape (4, 5)
        Rows from the top.
    """
    rows, columns = COVERAGE_GRID
    counts = np.zeros(COVERAGE_GRID, np.int64)
    for view in views:
        across, down = view.size_px
        column = np.clip((view.pixels_px[:, 0] + 0.5) / across * columns, 0, columns - 1).astype(int)
        row = np.clip((view.pixels_px[:, 1] + 0.5) / down * rows, 0, rows - 1).astype(int)
        np.add.at(counts, (row, column), 1)
    return counts


def lens_notices(
    calibration: Calibration, views: Sequence[BoardView], fit: LensFit, names: Sequence[str]
) -> Iterator[Notice]:
    """Return every doubt about a calibration.

    Parameters
    ----------
    calibration : Calibration
        Without its notices.
    views : sequence of BoardView
        Those used.
    fit : LensFit
        Of those.
    names : sequence of str
        Its free figures.

    Returns
    -------
    iterator of Notice
    """
    used = [photo for photo in calibration.photos if photo.used]
    for report in calibration.photos:
        if not report.used:
            more = ""
            if report.rms_px is not None:
                more = f" (RMS {report.rms_px:.2f} px, the others {calibration.rms_px:.2f} px)"
            yield Notice(
                code="photo-left-out", message=f"{report.name} was left out: it {report.why_not}{more}."
            )
    usual = float(np.median([photo.rms_px for photo in fit.photos]))
    changes, _ = fit.without()
    inverse = np.linalg.inv(fit.covariance())
    for report, photo, change in zip(used, fit.photos, changes, strict=True):
        moved = float(np.sqrt(change @ inverse @ change / len(change)))
        if photo.rms_px > _STANDS_OUT * usual and moved > _MOVES_SDS:
            yield Notice(
                code="photo-hurts",
                message=f"{report.name} fits worse than the others (RMS {photo.rms_px:.2f} px, usual"
                f" {usual:.2f} px) and moves the lens: try without it.",
            )
    if any(view.mirrored for view in views):
        yield Notice(
            code="mirrored",
            message="The photos are mirrored, as through a mirror; the lens is that of the pictures turned"
            " right.",
        )
    if len(used) < _FEW_PHOTOS:
        yield Notice(
            code="few-photos", message=f"Only {len(used)} photos were of use; 10 to 20 make a surer lens."
        )
    sd = float(np.sqrt(fit.covariance()[0, 0]))
    if sd > _UNSURE_FOCAL:
        yield Notice(
            code="unsure-focal",
            message=f"The focal length is only known to {100 * sd:.1f} %: add photos with the board tilted by"
            " 20 to 40°, each another way.",
        )
    yield from _uncovered(calibration.covered)
    yield from _focal_moved(views, fit, names, [photo.name for photo in used])


def _uncovered(counts: NDArray[np.int64]) -> Iterator[Notice]:
    bare = counts < _LEAST_IN_FIELD
    if not bare.any():
        return
    rows, columns = counts.shape
    places = []
    for words, part in (
        ("upper left", bare[:2, :2]),
        ("upper right", bare[:2, -2:]),
        ("lower left", bare[-2:, :2]),
        ("lower right", bare[-2:, -2:]),
        ("middle", bare[1:-1, 1:-1]),
    ):
        if part.any():
            places.append(words)
    where = photo_list(places) if places else "edge"
    yield Notice(
        code="not-covered",
        message=f"The board was hardly seen in {int(bare.sum())} of {rows * columns} fields of the picture"
        f" ({where}): there the lens is carried on by its formula.",
    )


def _focal_moved(
    views: Sequence[BoardView], fit: LensFit, names: Sequence[str], photos: Sequence[str]
) -> Iterator[Notice]:
    """Tell a focus or zoom that was not the same in all photos."""
    poses = [(photo.turn, photo.shift_mm) for photo in fit.photos]
    own = adjusted_lens(views, fit.lens, poses, [n for n in names if n != "s"], own_focals=True)
    stretch = np.array([photo.stretch for photo in own.photos])
    doubt = np.array([photo.u_stretch for photo in own.photos])
    middle = float(np.average(stretch, weights=doubt**-2))
    off = stretch - middle
    sure = np.abs(off) > np.maximum(_FOCAL_SDS * doubt, _FOCAL_SHARE)
    if sure.sum() < 2 or not own.rms_px < _FOCAL_GAIN * fit.rms_px:
        return
    low, high = int(np.argmin(np.where(sure, off, 0))), int(np.argmax(np.where(sure, off, 0)))
    yield Notice(
        code="focal-changed",
        message=f"Focus or zoom was not the same in all photos: {photos[high]} fits a focal length of"
        f" {fit.lens.fx_px * (1 + stretch[high]):.0f} px, {photos[low]} one of"
        f" {fit.lens.fx_px * (1 + stretch[low]):.0f} px; lock both and take the photos anew.",
    )
