"""Where an archive keeps its pictures: a folder, or any store that fsspec reaches, each under its SHA-256.

A picture stands at ``ab/abcd….jpg``, by the first two digits of its SHA-256, so that no folder grows without
end. It is put there once and never changed.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from portmap.errors import ArchiveError, OutputError
from portmap.files import write_whole

__all__ = ["PictureStore", "picture_store"]

PART = ".part"  # how a file ends that was cut off while it was written


@dataclass(frozen=True, kw_only=True, slots=True)
class PictureStore:
    """A place for pictures.

    Parameters
    ----------
    url : str
        A folder's name or a URL.
    filesystem : fsspec.AbstractFileSystem
    root : str
        The path within it.
    local : bool
        Whether it is on this machine's disks.
    """

    url: str
    filesystem: Any
    root: str
    local: bool

    def place(self, stored_name: str) -> str:
        """Return the path of a picture, whether it is there or not."""
        return f"{self.root}/{stored_name[:2]}/{stored_name}"

    def size_bytes(self, stored_name: str) -> int | None:
        """Return how large a picture is there; None if it is not."""
        try:
            found = self.filesystem.info(self.place(stored_name))
        except FileNotFoundError:
            return None
        except Exception as error:  # each store has its own errors
            raise self._fault(error) from error
        return int(found["size"])

    def put(self, stored_name: str, content: bytes) -> None:
        """Keep a picture; nothing is done if it is there already, whole."""
        if self.size_bytes(stored_name) == len(content):
            return
        place = self.place(stored_name)
        try:
            if self.local:
                Path(place).parent.mkdir(parents=True, exist_ok=True)
                write_whole(place, content, force=True)
            else:
                self._put_away(place, content)
        except OutputError:
            raise
        except Exception as error:
            raise self._fault(error) from error

    def _put_away(self, place: str, content: bytes) -> None:
        """Keep a picture elsewhere, and make the folder or bucket for it if that is missing."""
        try:
            self.filesystem.pipe_file(place, content)
        except FileNotFoundError:
            self.filesystem.makedirs(place.rpartition("/")[0], exist_ok=True)
            self.filesystem.pipe_file(place, content)

    def content(self, stored_name: str) -> bytes:
        """Return a picture, checked against its SHA-256."""
        try:
            content: bytes = self.filesystem.cat_file(self.place(stored_name))
        except FileNotFoundError:
            raise ArchiveError(
                "the archive's picture is missing",
                where=self.place(stored_name),
                remedy="portmap archive verify lists what is wrong",
            ) from None
        except Exception as error:
            raise self._fault(error) from error
        if hashlib.sha256(content).hexdigest() != stored_name.partition(".")[0]:
            raise ArchiveError(
                "the archive's picture was changed",
                where=self.place(stored_name),
                remedy="restore it from a backup",
            )
        return content

    def sizes_bytes(self) -> dict[str, int]:
        """Return every file that is there, by name."""
        try:
            found: dict[str, Any] = self.filesystem.find(self.root, detail=True)
        except FileNotFoundError:
            return {}
        except Exception as error:
            raise self._fault(error) from error
        return {path.rpartition("/")[2]: int(about["size"]) for path, about in found.items()}

    def _fault(self, error: Exception) -> ArchiveError:
        reason = (
            getattr(error, "strerror", None) or str(error).splitlines()[0]
            if str(error)
            else type(error).__name__
        )
        return ArchiveError(
            f"the store of pictures fails ({reason})", where=self.url, remedy="check it, and --pictures"
        )


def picture_store(url: str) -> PictureStore:
    """Return a place for pictures.

    Parameters
    ----------
    url : str
        A folder's name, or a URL such as ``s3://bench/pictures``.

    Returns
    -------
    PictureStore

    Raises
    ------
    ArchiveError
        If nothing here can reach such a store.

    Examples
    --------
    >>> store = picture_store("memory://bench")
    >>> name = hashlib.sha256(b"abc").hexdigest() + ".jpg"
    >>> store.put(name, b"abc")
    >>> store.content(name), store.sizes_bytes() == {name: 3}
    (b'abc', True)
    """
    from fsspec.core import url_to_fs

    try:
        # others put pictures there too, so that a listing that is remembered would be an old one
        filesystem, root = url_to_fs(url, use_listings_cache=False)
    except (ImportError, ValueError, OSError) as error:
        lacks_s3 = isinstance(error, ImportError) and url.startswith("s3:")
        raise ArchiveError(
            f"no such store can be reached ({str(error).splitlines()[0]})",
            where="--pictures",
            remedy="pip install 'portmap[s3]'" if lacks_s3 else "name a folder, or install what it needs",
        ) from error
    protocol = filesystem.protocol if isinstance(filesystem.protocol, str) else filesystem.protocol[0]
    return PictureStore(
        url=url, filesystem=filesystem, root=root.rstrip("/"), local=protocol in ("file", "local")
    )
