"""Options that several verbs share, so that they are spelled and explained alike."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

__all__ = ["Area", "AsJson", "Force", "JobFile", "Marked", "Stage", "Units", "Why"]

JobFile = Annotated[Path, typer.Argument(metavar="JOB", help="A job file.")]
AsJson = Annotated[bool, typer.Option("--json", help="Exact figures as JSON on standard output.")]
Force = Annotated[bool, typer.Option("--force", help="Replace a file that exists.")]
Stage = Annotated[
    Literal["stock", "proposed", "ground"] | None,
    typer.Option("--stage", help="Which of the job's maps; the stock one unless told."),
]
Units = Annotated[Literal["mm", "inch"], typer.Option("--units", help="Units of the figures shown.")]
Why = Annotated[
    str | None,
    typer.Option("--why", metavar="WORDS", help="Why the job is changed, for its list of changes."),
]
Area = Annotated[
    Literal["wall", "chord", "directed"],
    typer.Option(
        "--area",
        help="On the developed wall; across the chord; or that times the cosine of the passage's tilt.",
    ),
]
Marked = Annotated[
    Literal["axis", "wall"],
    typer.Option(
        "--marked",
        help="Which face of the sheet lies up: the one that faced the bore axis, or the one that touched the"
        " wall, which shows everything mirrored.",
    ),
]
