"""The end of the build sheet: lines to write on, and the code that ties the sheet to its job file."""

from __future__ import annotations

from portmap.sheet_parts import Code, Prose, Ruled, Section

__all__ = ["code_section", "hand_over_section", "lines_section"]

READING_LINES, NOTE_LINES, HAND_OVER_LINES = 8, 10, 3


def lines_section() -> Section:
    """Return lines for the bench: readings to take, and notes.

    Returns
    -------
    Section

    Examples
    --------
    >>> [part.lines for part in lines_section().parts]
    [8, 10]
    """
    columns = (
        ("reading", 0.34),
        ("value", 0.14),
        ("unit", 0.1),
        ("tool", 0.18),
        ("gasket", 0.12),
        ("date", 0.12),
    )
    return Section(
        heading="To write on at the bench",
        parts=(
            Ruled(columns=columns, lines=READING_LINES),
            Ruled(columns=(("notes", 1.0),), lines=NOTE_LINES),
        ),
    )


def hand_over_section() -> Section:
    """Return lines for handing the cylinder over.

    Returns
    -------
    Section

    Examples
    --------
    >>> hand_over_section().heading
    'Handing over'
    """
    words = (
        "Before the first start: the gasket and the nuts as they were measured. Warm the engine before it is"
        " worked, and watch its speed: what crank, rod and flywheel stand has not changed."
    )
    columns = (("date", 0.16), ("what was handed over", 0.44), ("from", 0.2), ("to", 0.2))
    return Section(
        heading="Handing over", parts=(Prose(lines=(words,)), Ruled(columns=columns, lines=HAND_OVER_LINES))
    )


def code_section(name: str, file_sha256: str) -> Section | None:
    """Return the code of the job file.

    Parameters
    ----------
    name : str
        Of the job.
    file_sha256 : str
        Of the job file, in hex; empty without one.

    Returns
    -------
    Section or None
        None without a file.

    Examples
    --------
    >>> code_section("saw", "0" * 64).parts[0].text[:10]
    'sha256:000'
    """
    if not file_sha256:
        return None
    lines = (
        name,
        "This sheet was made from the job file whose SHA-256 is",
        file_sha256[:32],
        file_sha256[32:],
        "The code holds the same. If the file's differs now, the job was changed after this sheet was made.",
    )
    return Section(heading="Which job this is", parts=(Code(text=f"sha256:{file_sha256}", lines=lines),))
