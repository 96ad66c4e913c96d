"""Finding jobs in an archive: by words, by ranges of figures, by day, and by the shape of their ports.

Every word must be there; a word finds those that begin with it. Jobs whose name has it come first, then those
whose ports or notes have it. Without words the newest come first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import sqlalchemy as sa

from portmap.archive import Archive, Entry, entry_of_row
from portmap.archive_facts import likeness, word_list
from portmap.archive_tables import figures, jobs, reading, shapes
from portmap.errors import QuantityError
from portmap.job_faults import nearest

__all__ = ["Found", "Range", "Search", "archive_count", "range_of", "searched", "similar"]

MOST_WORDS = 20


@dataclass(frozen=True, kw_only=True, slots=True)
class Range:
    """A figure and what it must lie between.

    Parameters
    ----------
    figure : str
        Its name (`portmap.archive_facts`).
    low, high : float
        Both included; in the figure's unit.
    """

    figure: str
    low: float
    high: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Search:
    """What is looked for; all of it must hold.

    Parameters
    ----------
    words : str
        In names, notes and kinds.
    ranges : tuple of Range
    since, until : str or None
        Days, as in 2024-05-01, both included.
    limit : int
        How many at most.
    """

    words: str = ""
    ranges: tuple[Range, ...] = ()
    since: str | None = None
    until: str | None = None
    limit: int = 50


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """A job that was found.

    Parameters
    ----------
    entry : Entry
    likeness : float or None
        Of its ports' shape, 0 to 1; None if no shape was looked for.
    """

    entry: Entry
    likeness: float | None = None


def range_of(text: str, *, figure: str | None = None, slack: float = 0.05) -> Range:
    """Return a range as it was typed.

    Parameters
    ----------
    text : str
        ``98..102``, ``98..``, ``..102`` or ``100``; before it the figure's name and ``=`` where none is told.
    figure : str or None, optional
        Its name.
    slack : float, optional
        How far from a single value a figure may lie, in its unit.

    Returns
    -------
    Range

    Raises
    ------
    QuantityError
        If it is none.

    Examples
    --------
    >>> range_of("exhaust.opens_deg=98..102")
    Range(figure='exhaust.opens_deg', low=98.0, high=102.0)
    >>> range_of("46", figure="bore_mm").low
    45.95
    """
    name, equals, rest = (figure, "=", text) if figure is not None else text.partition("=")
    low, dots, high = rest.partition("..")
    try:
        first = float(low.replace(",", ".")) if low.strip() else -math.inf
        last = float(high.replace(",", ".")) if high.strip() else math.inf
    except ValueError:
        first = last = math.nan
    if not dots:
        first, last = first - slack, first + slack
    known = equals and name.strip() and (low.strip() or high.strip())
    if not known or not first <= last:
        raise QuantityError(
            f"{text[:60]!r} is not a range",
            where=figure or "--figure",
            remedy="write it as 98..102, 98.. or ..102",
        )
    return Range(figure=name.strip(), low=first, high=last)


def searched(archive: Archive, search: Search) -> tuple[Found, ...]:
    """Return the jobs that a search finds.

    Parameters
    ----------
    archive : Archive
    search : Search

    Returns
    -------
    tuple of Found
        The best first, at most as many as the search's limit.

    Raises
    ------
    QuantityError
        If nothing was found and a figure's name is none that any job has.

    Examples
    --------
    >>> import tempfile
    >>> from portmap.archive import opened_archive
    >>> with opened_archive(f"{tempfile.mkdtemp()}/archive.db") as archive:
    ...     searched(archive, Search(words="saw"))
    ()
    """
    words = list(dict.fromkeys(word_list(search.words)))[:MOST_WORDS]
    query = sa.select(jobs)
    if words:
        query = _worded(query, archive.engine.dialect.name, words)
    elif search.words.strip():
        return ()  # nothing but signs, which are in no job's words
    else:
        query = query.order_by(jobs.c.day.desc(), jobs.c.id.desc())
    for one in search.ranges:
        within = sa.select(figures.c.job_id).where(figures.c.name == one.figure)
        if one.low > -math.inf:
            within = within.where(figures.c.value >= one.low)
        if one.high < math.inf:
            within = within.where(figures.c.value <= one.high)
        query = query.where(jobs.c.id.in_(within))
    if search.since is not None:
        query = query.where(jobs.c.day >= search.since)
    if search.until is not None:
        query = query.where(jobs.c.day <= search.until)
    with reading(archive.engine) as connection:
        rows = connection.execute(query.limit(search.limit)).all()
        if not rows:
            _check_names(connection, search.ranges)
    return tuple(Found(entry=entry_of_row(row)) for row in rows)


def _worded(
    query: sa.Select[tuple[object, ...]], dialect: str, words: list[str]
) -> sa.Select[tuple[object, ...]]:
    if dialect == "sqlite":
        asked = " ".join(f'"{word}"*' for word in words)
        found = sa.text(
            "SELECT rowid AS id, bm25(job_words, 10.0, 1.0, 3.0) AS rank FROM job_words"
            " WHERE job_words MATCH :asked"
        )
    else:
        asked = " & ".join(f"'{word}':*" for word in words)
        found = sa.text(
            "SELECT job_id AS id, -ts_rank(words, CAST(:asked AS tsquery)) AS rank FROM job_words"
            " WHERE words @@ CAST(:asked AS tsquery)"
        )
    hits = found.bindparams(asked=asked).columns(sa.column("id", sa.Integer), sa.column("rank", sa.Double))
    hit = hits.subquery("hit")
    return query.join(hit, hit.c.id == jobs.c.id).order_by(hit.c.rank, jobs.c.day.desc(), jobs.c.id.desc())


def _check_names(connection: sa.Connection, ranges: tuple[Range, ...]) -> None:
    """Refuse a figure that no job has, since nothing could ever be found by it."""
    for one in ranges:
        chosen = sa.select(figures.c.name).where(figures.c.name == one.figure).limit(1)
        if connection.execute(chosen).first() is None:
            known = list(connection.execute(sa.select(figures.c.name).distinct()).scalars())
            if known:
                near = nearest(one.figure, known)
                raise QuantityError(
                    f"no job has a figure {one.figure!r}",
                    where="--figure",
                    remedy=f"did you mean {near}?" if near else "see portmap archive show ID",
                )


def similar(archive: Archive, cells: bytes, *, stage: str = "stock", limit: int = 10) -> tuple[Found, ...]:
    """Return the jobs whose ports are most alike.

    Parameters
    ----------
    archive : Archive
    cells : bytes
        A shape (`portmap.archive_facts.shape_cells`).
    stage : {'stock', 'proposed', 'ground'}, optional
        Of the archived maps.
    limit : int, optional
        How many at most.

    Returns
    -------
    tuple of Found
        The most alike first; none that has nothing in common.

    Examples
    --------
    >>> import tempfile
    >>> from portmap.archive import opened_archive
    >>> with opened_archive(f"{tempfile.mkdtemp()}/archive.db") as archive:
    ...     similar(archive, bytes(540))
    ()
    """
    chosen = sa.select(shapes.c.job_id, shapes.c.cells).where(shapes.c.stage == stage)
    with reading(archive.engine) as connection:
        rows = [(row[0], bytes(row[1])) for row in connection.execute(chosen)]
        rows = [row for row in rows if len(row[1]) == len(cells)]
        if not rows:
            return ()
        alike = likeness(cells, [row[1] for row in rows])
        best = np.argsort(-alike, kind="stable")[:limit]
        numbers = {rows[place][0]: float(alike[place]) for place in best if alike[place] > 0}
        entries = connection.execute(sa.select(jobs).where(jobs.c.id.in_(numbers))).all()
    found = [Found(entry=entry_of_row(row), likeness=numbers[row.id]) for row in entries]
    return tuple(sorted(found, key=lambda one: (-(one.likeness or 0.0), one.entry.id)))


def archive_count(archive: Archive) -> int:
    """Return how many jobs an archive has.

    Parameters
    ----------
    archive : Archive

    Returns
    -------
    int

    Examples
    --------
    >>> import tempfile
    >>> from portmap.archive import opened_archive
    >>> with opened_archive(f"{tempfile.mkdtemp()}/archive.db") as archive:
    ...     archive_count(archive)
    0
    """
    with reading(archive.engine) as connection:
        return int(connection.execute(sa.select(sa.func.count()).select_from(jobs)).scalar_one())
