"""What the archive's page does with archived jobs: a copy in the working folder, pictures for the screen."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from portmap.app import store
from portmap.app.pictures import picture_address
from portmap.archive import Archive, picture_content
from portmap.archive_folders import write_entry
from portmap.archive_tables import archive_url
from portmap.errors import PortmapError
from portmap.job_pictures import picture_folder
from portmap.job_schema import PictureEntry
from portmap.sheet_photos import small_photo

__all__ = ["ShownPicture", "copied_entry", "is_there", "shown_picture"]

SQLITE = "sqlite:///"


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownPicture:
    """A picture of an archived job.

    Parameters
    ----------
    name : str
        Of the file that it came from.
    address : str
        Where the browser finds it, small; empty if it cannot be shown.
    trouble : str
        Why it cannot be shown; empty if it can.
    """

    name: str
    address: str = ""
    trouble: str = ""


def is_there() -> bool:
    """Return whether there is an archive where the command line looks for it; a server's is taken to be."""
    url = archive_url()
    return not url.startswith(SQLITE) or Path(url.removeprefix(SQLITE)).is_file()


def copied_entry(archive: Archive, number: int, name: str) -> Path:
    """Write a job of the archive into the working folder with its pictures, under a name that is free.

    Raises
    ------
    ArchiveError
        If there is no such entry, or a picture is missing.
    OutputError
        If the folder does not take it.
    """
    return store.made_beside(
        store.folder() / f"{store.file_stem(name)}.json",
        lambda place: write_entry(archive, number, place),
        is_free=lambda place: not picture_folder(place).exists(),
    )


def shown_picture(archive: Archive, picture: PictureEntry) -> ShownPicture:
    """Return a picture of an archived job for the screen."""
    try:
        jpeg = _small(archive.where, picture.sha256, picture.name, archive, picture)
        return ShownPicture(name=picture.name, address=picture_address(jpeg, "jpeg"))
    except PortmapError as error:
        return ShownPicture(name=picture.name, trouble=error.message)


@st.cache_data(max_entries=200, show_spinner=False)
def _small(where: str, sha256: str, name: str, _archive: Archive, _picture: PictureEntry) -> bytes:
    """Return a small JPEG; kept, for a page is drawn anew at every touch."""
    return small_photo(picture_content(_archive, _picture), name=name)[0]
