"""A camera whose lens is known: where it sees a place, along which ray a pixel looks, and its file.

Camera frame: x to the right and y down in the picture, z forward, in mm. A pose is a turn (rotation vector,
radians) and a shift: a place P of the world stands at turn·P + shift in the camera frame. Pixel centres lie
at integers, (column, row).

Two models, both as OpenCV has them: *pinhole* with Brown's distortion (k1, k2, p1, p2, k3), and *fisheye*
for angles so wide that a pinhole's picture would not end, r = f·(θ + k1 θ³ + k2 θ⁵ + k3 θ⁷ + k4 θ⁹).

References
----------
.. [1] D. C. Brown, Decentering distortion of lenses, Photogrammetric Engineering 32 (1966) 444-462 (from
   memory).
.. [2] J. Kannala, S. S. Brandt, A generic camera model and calibration method, IEEE TPAMI 28 (2006)
   1335-1340 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from portmap.errors import PictureError
from portmap.files import read_json, write_json

__all__ = [
    "LENS_FORMAT",
    "Lens",
    "lens_document",
    "lens_of",
    "rays",
    "read_lens",
    "resized",
    "seen_px",
    "write_lens",
]

Floats = NDArray[np.float64]
Model = Literal["pinhole", "fisheye"]

LENS_FORMAT, LENS_VERSION = "portmap-lens", 1
_TERMS: dict[Model, int] = {"pinhole": 5, "fisheye": 4}
_KEYS = {"format", "version", "model", "image_size_px", "fx_px", "fy_px", "cx_px", "cy_px", "distortion"}
_MORE_KEYS = {"u", "rms_px", "warnings", "source"}
_SAME_RATIO = 0.01  # of width over height, for a lens that is to serve a picture of another size
_UNDO = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-10)


@dataclass(frozen=True, kw_only=True, slots=True)
class Lens:
    """A lens and the picture it makes.

    Parameters
    ----------
    model : {'pinhole', 'fisheye'}
    size_px : tuple of int
        Columns and rows.
    fx_px, fy_px : float
        Focal length across and down [px].
    cx_px, cy_px : float
        Where the lens's axis meets the picture [px].
    distortion : tuple of float
        (k1, k2, p1, p2, k3) of a pinhole, (k1, k2, k3, k4) of a fisheye.

    Raises
    ------
    PictureError
        If a figure is not one that a lens can have.
    """

    model: Model
    size_px: tuple[int, int]
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    distortion: tuple[float, ...]

    def __post_init__(self) -> None:
        """Refuse what is no lens."""
        if self.model not in _TERMS:
            raise PictureError(
                f"there is no lens model {self.model!r}", where="model", remedy="take pinhole or fisheye"
            )
        terms = _TERMS[self.model]
        if len(self.distortion) != terms:
            raise PictureError(
                f"a {self.model} lens has {terms} figures of distortion, not {len(self.distortion)}",
                where="distortion",
                remedy="calibrate again: portmap lens",
            )
        figures = (self.fx_px, self.fy_px, self.cx_px, self.cy_px, *self.distortion)
        if not np.isfinite(figures).all() or min(*self.size_px, self.fx_px, self.fy_px) <= 0:
            raise PictureError(
                "a figure is not one that a lens can have",
                where="lens",
                remedy="calibrate again: portmap lens",
            )

    @property
    def matrix(self) -> Floats:
        """Return the camera matrix, shape (3, 3) [px]."""
        return np.array([[self.fx_px, 0, self.cx_px], [0, self.fy_px, self.cy_px], [0, 0, 1.0]])


def seen_px(lens: Lens, turn: ArrayLike, shift_mm: ArrayLike, places_mm: ArrayLike) -> Floats:
    """Return the pixels at which a camera sees places.

    Parameters
    ----------
    lens : Lens
    turn : array_like of shape (3,)
        Rotation vector from world to camera [rad].
    shift_mm : array_like of shape (3,)
        The world's origin in the camera frame [mm].
    places_mm : array_like of shape (N, 3)
        In the world [mm].

    Returns
    -------
    ndarray of shape (N, 2)
        (column, row) [px]; NaN for a place behind a pinhole camera.

    Examples
    --------
    >>> lens = Lens(model="pinhole", size_px=(640, 480), fx_px=500, fy_px=500, cx_px=320, cy_px=240,
    ...             distortion=(0, 0, 0, 0, 0))
    >>> seen_px(lens, (0, 0, 0), (0, 0, 100), [[10, 0, 0]])
    array([[370., 240.]])
    """
    places = np.asarray(places_mm, np.float64).reshape(-1, 1, 3)
    if not len(places):
        return np.empty((0, 2))
    turned, shift = np.asarray(turn, np.float64).reshape(3, 1), np.asarray(shift_mm, np.float64).reshape(3, 1)
    terms = np.asarray(lens.distortion, np.float64)
    if lens.model == "fisheye":  # OpenCV's own formula ends at 90°, where these lenses do not
        x, y, z = cv2.Rodrigues(turned)[0] @ places[:, 0].T + shift
        beside = np.hypot(x, y)
        theta = np.arctan2(beside, z)
        reach = theta * np.polynomial.polynomial.polyval(theta * theta, [1.0, *terms])
        share = np.divide(
            reach, beside, out=np.ones_like(reach) / np.maximum(np.abs(z), 1e-12), where=beside > 1e-12
        )
        middle = np.array([lens.cx_px, lens.cy_px])
        return np.asarray(middle + np.stack([x * share, y * share], axis=1) * [lens.fx_px, lens.fy_px])
    seen, _ = cv2.projectPoints(places, turned, shift, lens.matrix, terms)
    found = np.array(seen, np.float64).reshape(-1, 2)
    away = places[:, 0] @ cv2.Rodrigues(turned)[0][2] + shift[2, 0]
    found[away <= 0] = np.nan
    return found


def rays(lens: Lens, pixels_px: ArrayLike) -> Floats:
    """Return the directions in which pixels look.

    Parameters
    ----------
    lens : Lens
    pixels_px : array_like of shape (N, 2)
        (column, row) [px].

    Returns
    -------
    ndarray of shape (N, 3)
        Unit vectors in the camera frame; NaN where the lens's formula cannot be undone.

    Examples
    --------
    >>> lens = Lens(model="pinhole", size_px=(640, 480), fx_px=500, fy_px=500, cx_px=320, cy_px=240,
    ...             distortion=(0, 0, 0, 0, 0))
    >>> rays(lens, [[320, 240]])
    array([[0., 0., 1.]])
    """
    pixels = np.asarray(pixels_px, np.float64).reshape(-1, 2)
    if not len(pixels):
        return np.empty((0, 3))
    terms = np.asarray(lens.distortion, np.float64)
    if lens.model == "fisheye":
        found = _fisheye_rays(lens, pixels)
    else:
        flat = cv2.undistortPoints(pixels.reshape(-1, 1, 2), lens.matrix, terms, criteria=_UNDO)
        flat = np.asarray(flat, np.float64).reshape(-1, 2)
        found = np.column_stack([flat, np.ones(len(flat))])
        found /= np.linalg.norm(found, axis=1, keepdims=True)
    again = seen_px(lens, np.zeros(3), np.zeros(3), np.where(np.isfinite(found), found, 1.0))
    found[~(np.abs(again - pixels).max(axis=1) < 0.01)] = np.nan
    return found


def _fisheye_rays(lens: Lens, pixels: Floats) -> Floats:
    """Return directions of a fisheye lens, beyond 90° too, where a flat picture would not end."""
    a = (pixels - (lens.cx_px, lens.cy_px)) / (lens.fx_px, lens.fy_px)
    reach = np.linalg.norm(a, axis=1)
    k1, k2, k3, k4 = lens.distortion
    theta = np.minimum(reach, np.pi)
    for _ in range(50):
        q = theta * theta
        miss = theta * (1 + q * (k1 + q * (k2 + q * (k3 + q * k4)))) - reach
        slope = 1 + q * (3 * k1 + q * (5 * k2 + q * (7 * k3 + q * 9 * k4)))
        step = np.divide(miss, slope, out=np.zeros_like(miss), where=np.abs(slope) > 1e-9)
        theta = np.clip(theta - step, 0.0, np.pi)
        if np.abs(step).max() < 1e-13:
            break
    share = np.divide(np.sin(theta), reach, out=np.ones_like(reach), where=reach > 1e-12)
    return np.column_stack([a * share[:, None], np.cos(theta)])


def resized(lens: Lens, size_px: tuple[int, int]) -> Lens:
    """Return the lens for the same picture at another size.

    Parameters
    ----------
    lens : Lens
    size_px : tuple of int
        Columns and rows of the picture at hand.

    Returns
    -------
    Lens

    Raises
    ------
    PictureError
        If width over height is not the same, so that it is not the same picture.

    Examples
    --------
    >>> lens = Lens(model="pinhole", size_px=(640, 480), fx_px=500, fy_px=500, cx_px=319.5, cy_px=239.5,
    ...             distortion=(0, 0, 0, 0, 0))
    >>> resized(lens, (1280, 960)).cx_px
    639.5
    """
    if size_px == lens.size_px:
        return lens
    across, down = size_px[0] / lens.size_px[0], size_px[1] / lens.size_px[1]
    if not abs(across / down - 1) < _SAME_RATIO:
        was, now = (f"{size[0]} × {size[1]}" for size in (lens.size_px, size_px))
        raise PictureError(
            f"the lens was calibrated on pictures of {was} pixels, this one has {now}",
            remedy="calibrate with pictures of this shape, or take this one as those were taken",
        )
    return replace(
        lens,
        size_px=size_px,
        fx_px=lens.fx_px * across,
        fy_px=lens.fy_px * down,
        cx_px=(lens.cx_px + 0.5) * across - 0.5,
        cy_px=(lens.cy_px + 0.5) * down - 0.5,
    )


def lens_document(lens: Lens) -> dict[str, Any]:
    """Return a lens as its file holds it.

    Parameters
    ----------
    lens : Lens

    Returns
    -------
    dict

    Examples
    --------
    >>> lens = Lens(model="fisheye", size_px=(64, 48), fx_px=50, fy_px=50, cx_px=32, cy_px=24,
    ...             distortion=(0, 0, 0, 0))
    >>> lens_of(lens_document(lens)) == lens
    True
    """
    return {
        "format": LENS_FORMAT,
        "version": LENS_VERSION,
        "model": lens.model,
        "image_size_px": list(lens.size_px),
        "fx_px": lens.fx_px,
        "fy_px": lens.fy_px,
        "cx_px": lens.cx_px,
        "cy_px": lens.cy_px,
        "distortion": list(lens.distortion),
    }


def lens_of(document: object, *, where: str = "") -> Lens:
    """Return the lens that a document describes.

    Parameters
    ----------
    document : object
        As the json module gives it.
    where : str, optional
        The file's name, for messages.

    Returns
    -------
    Lens

    Raises
    ------
    PictureError
        With the first fault found.

    Examples
    --------
    >>> lens_of({"format": "portmap-job"})
    Traceback (most recent call last):
    portmap.errors.PictureError: this is not a lens file; make one: portmap lens PHOTOS --out lens.json
    """
    make = "make one: portmap lens PHOTOS --out lens.json"
    if not isinstance(document, dict) or document.get("format") != LENS_FORMAT:
        raise PictureError("this is not a lens file", where=where, remedy=make)
    version = document.get("version")
    if version != LENS_VERSION or isinstance(version, bool):
        raise PictureError(
            f"version {str(version)[:20]} cannot be read, only {LENS_VERSION}", where=where, remedy=make
        )

    def fault(key: str, words: str) -> PictureError:
        return PictureError(words, where=f"{where}: {key}" if where else key, remedy=make)

    for key in sorted(_KEYS - set(document)):
        raise fault(key, "is missing")
    for key in document:
        if key not in _KEYS | _MORE_KEYS:
            raise fault(str(key)[:60], "there is no such field in a lens file")
    size, terms = document["image_size_px"], document["distortion"]
    if not (
        isinstance(size, list) and len(size) == 2 and all(type(n) is int and 0 < n < 10**5 for n in size)
    ):
        raise fault("image_size_px", "must be two whole numbers")
    if not (isinstance(terms, list) and all(_is_figure(term) for term in terms)):
        raise fault("distortion", "must be a list of numbers")
    for key in ("fx_px", "fy_px", "cx_px", "cy_px"):
        if not _is_figure(document[key]):
            raise fault(key, "must be a number")
    if document["model"] == "fisheye" and len(terms) == 5 and terms[4] == 0:
        terms = terms[:4]  # written with a pinhole's count of figures
    try:
        return Lens(
            model=document["model"],
            size_px=(size[0], size[1]),
            fx_px=float(document["fx_px"]),
            fy_px=float(document["fy_px"]),
            cx_px=float(document["cx_px"]),
            cy_px=float(document["cy_px"]),
            distortion=tuple(float(term) for term in terms),
        )
    except (PictureError, TypeError) as error:
        if isinstance(error, PictureError):
            raise fault(error.where, error.message) from None
        raise fault("model", "must be pinhole or fisheye") from None


def _is_figure(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e7


def read_lens(path: Path | str) -> Lens:
    """Return the lens in a file.

    Parameters
    ----------
    path : Path or str

    Returns
    -------
    Lens

    Raises
    ------
    PictureError
        As `lens_of`; what `read_json` raises if the file cannot be read.

    Examples
    --------
    >>> read_lens("no-such-lens.json")
    Traceback (most recent call last):
    portmap.errors.JobError: no-such-lens.json: there is no such file; check the name
    """
    return lens_of(read_json(path), where=Path(path).name)


def write_lens(
    path: Path | str, lens: Lens, *, more: dict[str, Any] | None = None, force: bool = False
) -> Path:
    """Write a lens, whole or not at all.

    Parameters
    ----------
    path : Path or str
    lens : Lens
    more : dict, optional
        Of ``u`` (standard uncertainties by name), ``rms_px``, ``warnings``, ``source``.
    force : bool, optional
        Replace an existing file.

    Returns
    -------
    Path

    Raises
    ------
    OutputError
        If it cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> lens = Lens(model="fisheye", size_px=(64, 48), fx_px=50, fy_px=50, cx_px=32, cy_px=24,
    ...             distortion=(0, 0, 0, 0))
    >>> read_lens(write_lens(Path(tempfile.mkdtemp()) / "lens.json", lens)) == lens
    True
    """
    return write_json(path, {**lens_document(lens), **(more or {})}, force=force)
