"""Pictures for the screen, under names that nobody can guess.

A name is a keyed hash of the content (HMAC-SHA256 with a secret of this run of the server): the same picture
keeps its name, so a browser may keep it, and nobody finds one without having been shown it. The files wait
in a folder of their own that only this user may read; it goes when the server does.
"""

from __future__ import annotations

import atexit
import hashlib
import hmac
import os
import re
import secrets
import shutil
import tempfile
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from portmap.errors import OutputError

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

__all__ = ["PICTURE_PATH", "picture_address", "picture_file", "picture_response"]

PICTURE_PATH = "/portmap/picture/{name}"
KINDS = {"png": "image/png", "jpeg": "image/jpeg", "webp": "image/webp"}
ROOM_BYTES = 2_000_000_000  # of all together; the longest unused go first


@dataclass
class _Shelf:
    folder: Path
    secret: bytes
    sizes: dict[str, int]
    guard: threading.Lock


_shelves: list[_Shelf] = []
_first = threading.Lock()


def _shelf() -> _Shelf:
    with _first:
        if not _shelves:
            folder = Path(tempfile.mkdtemp(prefix="portmap-pictures-"))
            atexit.register(shutil.rmtree, folder, ignore_errors=True)
            _shelves.append(
                _Shelf(folder=folder, secret=secrets.token_bytes(32), sizes={}, guard=threading.Lock())
            )
        return _shelves[0]


def picture_address(content: bytes, kind: str) -> str:
    """Return where a browser of this server finds a picture.

    Parameters
    ----------
    content : bytes
        The whole file.
    kind : {'png', 'jpeg', 'webp'}

    Returns
    -------
    str
        A path on this server.

    Raises
    ------
    OutputError
        If the disk does not take it.
    """
    if kind not in KINDS:
        raise ValueError(f"{kind!r} is none of {', '.join(KINDS)}")
    shelf = _shelf()
    digest = hmac.new(shelf.secret, hashlib.sha256(content).digest() + kind.encode(), hashlib.sha256)
    name = f"{digest.hexdigest()}.{kind}"
    with shelf.guard:
        shelf.sizes[name] = shelf.sizes.pop(name, len(content))  # put last: used most lately
        place = shelf.folder / name
        if not place.exists():
            try:
                part = place.with_suffix(".part")
                part.write_bytes(content)
                os.replace(part, place)
            except OSError as error:
                del shelf.sizes[name]
                raise OutputError(
                    f"the picture could not be kept ({error.strerror or error})",
                    where=str(shelf.folder),
                    remedy="free some space",
                ) from error
        while sum(shelf.sizes.values()) > ROOM_BYTES and len(shelf.sizes) > 1:
            oldest = next(iter(shelf.sizes))
            del shelf.sizes[oldest]
            (shelf.folder / oldest).unlink(missing_ok=True)
    return PICTURE_PATH.format(name=name)


def picture_file(name: str) -> Path | None:
    """Return the file of a picture's name, or None if there is none."""
    if not re.fullmatch(r"[0-9a-f]{64}\.[a-z]+", name):
        return None
    place = _shelf().folder / name
    return place if place.is_file() else None


async def picture_response(request: Request) -> Response:
    """Answer a request for a picture."""
    from starlette.responses import FileResponse, PlainTextResponse

    place = picture_file(request.path_params["name"])
    if place is None:
        return PlainTextResponse("no such picture", status_code=404, headers={"cache-control": "no-store"})
    return FileResponse(
        place,
        media_type=KINDS[place.suffix[1:]],
        headers={"cache-control": "private, max-age=31536000, immutable"},
    )
