"""What portmap says when it cannot go on, and when it can but with doubt.

::

    PortmapError
    ├── QuantityError    (ValueError)  a number or unit that cannot be read or makes no sense
    ├── GeometryError    (ValueError)  a shape or mechanism that cannot exist
    ├── JobError         (ValueError)  a file of ours that breaks its own rules; holds every fault found
    ├── PictureError     (ValueError)  a picture that cannot be read or measured
    ├── OutputError      (OSError)     a result that cannot be written
    └── ArchiveError     (OSError)     an archive that cannot be reached, read or written

An error is one line for a person: what is wrong, where, what to do. A `Notice` is for a result that
is usable but doubtful; it travels with the result into JSON, page and sheet under ``warnings``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

__all__ = [
    "ArchiveError",
    "GeometryError",
    "JobError",
    "Notice",
    "OutputError",
    "PictureError",
    "PortmapError",
    "QuantityError",
]


class PortmapError(Exception):
    """The base of every error that portmap raises on purpose.

    Parameters
    ----------
    message : str
        What is wrong, with the value that is wrong.
    where : str, optional
        The file, field or place, such as ``maps[0].ports[2].windows[0]``.
    remedy : str, optional
        What to do about it.

    Examples
    --------
    >>> print(PortmapError("rpm 0 is not a speed", where="--rpm", remedy="give a number above 0"))
    --rpm: rpm 0 is not a speed; give a number above 0
    """

    def __init__(self, message: str, *, where: str = "", remedy: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.where = where
        self.remedy = remedy

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        advice = f"; {self.remedy}" if self.remedy else ""
        return f"{place}{self.message}{advice}"

    def __reduce__(self) -> tuple[Callable[..., PortmapError], tuple[object, ...]]:
        return _rebuild, (type(self), self.message, self.where, self.remedy)

    def at(self, level: str) -> PortmapError:
        """Return the same error with one more level put before its place.

        Parameters
        ----------
        level : str
            The outer place, such as ``ports[2]`` or a file's name.

        Returns
        -------
        PortmapError
            Of the same class.

        Examples
        --------
        >>> GeometryError("too small", where="windows[0]").at("ports[2]").where
        'ports[2].windows[0]'
        """
        joined = f"{level}.{self.where}" if self.where and level else level or self.where
        return type(self)(self.message, where=joined, remedy=self.remedy)


def _rebuild(kind: type[PortmapError], message: str, where: str, remedy: str) -> PortmapError:
    return kind(message, where=where, remedy=remedy)


class QuantityError(PortmapError, ValueError):
    """A number or unit that cannot be read or makes no sense."""


class GeometryError(PortmapError, ValueError):
    """A shape or a mechanism that cannot exist."""


class PictureError(PortmapError, ValueError):
    """A picture that cannot be read or measured."""


class OutputError(PortmapError, OSError):
    """A result that cannot be written."""


class ArchiveError(PortmapError, OSError):
    """An archive of jobs that cannot be reached, read or written."""


class JobError(PortmapError, ValueError):
    """A file that breaks its own rules.

    Parameters
    ----------
    message : str
        What is wrong; with several faults, the first.
    where, remedy : str, optional
        As in `PortmapError`.
    faults : tuple of PortmapError, optional
        Every fault found, each with its path. Empty means that this error is the only one.

    Examples
    --------
    >>> faults = (JobError("must be above 0", where="engine.bore_mm"), JobError("missing", where="name"))
    >>> print(JobError.of(faults))
    engine.bore_mm: must be above 0
    name: missing
    """

    def __init__(
        self, message: str, *, where: str = "", remedy: str = "", faults: tuple[PortmapError, ...] = ()
    ) -> None:
        super().__init__(message, where=where, remedy=remedy)
        self.faults = faults

    @classmethod
    def of(cls, faults: tuple[PortmapError, ...]) -> JobError:
        """Return one error that lists all `faults`, a line each.

        Parameters
        ----------
        faults : tuple of PortmapError
            At least one.

        Returns
        -------
        JobError
            Its own message, place and remedy are those of the first fault.
        """
        first = faults[0]
        return cls(first.message, where=first.where, remedy=first.remedy, faults=faults)

    def __str__(self) -> str:
        if self.faults:
            return "\n".join(str(fault) for fault in self.faults)
        return super().__str__()

    def __reduce__(self) -> tuple[Callable[..., PortmapError], tuple[object, ...]]:
        return _rebuild_job, (self.message, self.where, self.remedy, self.faults)

    def at(self, level: str) -> JobError:
        """Return the same error, every fault placed one level further out."""
        if self.faults:
            return JobError.of(tuple(fault.at(level) for fault in self.faults))
        joined = f"{level}.{self.where}" if self.where and level else level or self.where
        return JobError(self.message, where=joined, remedy=self.remedy)


def _rebuild_job(message: str, where: str, remedy: str, faults: tuple[PortmapError, ...]) -> JobError:
    return JobError(message, where=where, remedy=remedy, faults=faults)


@dataclass(frozen=True, kw_only=True, slots=True)
class Notice:
    """A warning that travels with a result which is usable but doubtful.

    Parameters
    ----------
    code : str
        Stable short name for programs, such as ``few-markers``.
    message : str
        One plain sentence for the porter, with the figures that matter.

    Examples
    --------
    >>> Notice(code="few-markers", message="Only 12 of 88 markers were seen.").as_dict()["code"]
    'few-markers'
    """

    code: str
    message: str

    def as_dict(self) -> dict[str, str]:
        """Return the notice as JSON holds it.

        Returns
        -------
        dict of str to str
            Keys ``code`` and ``message``.
        """
        return {"code": self.code, "message": self.message}
