"""The command line: its verbs, its exit codes, and what becomes of an error.

One table names every verb. The help is printed from it at once, without the libraries that parse a
command line; the full program, with the help of each verb and shell completion, is built from the same
table when a verb is asked for.

Exit codes: 0 done; 1 the input is at fault, with one line that says what, where and what to do; 2 wrong
usage; 130 interrupted.
"""

from __future__ import annotations

import os
import sys

from portmap import __version__

TYPE_CHECKING = False
if TYPE_CHECKING:
    import typer

__all__ = ["VERBS", "full_app", "help_text", "main"]

ABOUT = "Port shapes, areas, timings and build sheets for two-stroke cylinders."

COMPLETION_VARIABLE = "_PORTMAP_COMPLETE"  # set by the shell's completion script

# section, verb, what it does, where it is
VERBS: tuple[tuple[str, str, str, str], ...] = (
    ("To see it work", "demo", "Do the whole job on sample photos of a made-up engine.", "demo:demo"),
    ("On a screen", "app", "Serve the screens, from photo to marked-out roof.", "app:app"),
    ("From a photo", "card flat", "Print the card that gives a photo its scale.", "picture:card_flat"),
    ("From a photo", "card ring", "Print the card that lies round the bore.", "picture:card_ring"),
    ("From a photo", "card strip", "Print the card that is rolled inside the bore.", "picture:card_strip"),
    ("From a photo", "card board", "Print the board that calibrates a camera.", "picture:card_board"),
    ("From a photo", "lens", "Calibrate a camera or a scope from photos of a board.", "lens:lens"),
    ("From a photo", "flatten", "Make a scaled image of a lifted impression's photo.", "picture:flatten"),
    ("From a photo", "unroll", "Make a scaled image of a bore's wall from photos of it.", "unroll:unroll"),
    ("From a photo", "trace", "Trace the ports' outlines in a scaled image or drawing.", "tracing:trace"),
    ("The job", "new", "Make a job of a traced map and what is known of the engine.", "job:new"),
    ("The job", "check", "List a job's faults, or what it lacks and what is doubtful.", "job:check"),
    ("The job", "schema", "Print the JSON Schema of job or map files.", "job:schema"),
    ("Readings and work", "read", "Add bench readings to a job, in plain words or CSV.", "readings:read"),
    ("Readings and work", "fit", "Find the engine behind the readings.", "readings:fit"),
    ("Readings and work", "work", "What each piece of work does to every number.", "work:work"),
    ("Readings and work", "plan", "Recipes of work that reach what is wanted.", "plan:plan"),
    ("Readings and work", "spread", "How sure a figure is; which reading to repeat.", "spread:spread"),
    ("Figures", "timing", "When each port opens and closes; blowdown.", "figures:timing"),
    ("Figures", "areas", "Each port's area, whole and opened, by degree.", "figures:areas"),
    ("Figures", "timearea", "Time-areas of each span at one or more speeds.", "figures:timearea"),
    ("Figures", "guide", "Where the ports stand beside published guide figures.", "guide:guide"),
    ("Figures", "breathe", "Filling and emptying through the real ports.", "breathe:breathe"),
    ("Figures", "compare", "What differs between two stages, jobs or maps.", "compare:compare"),
    ("Figures", "compression", "Ratios, cranking pressure, squish, rope.", "compression:compression"),
    ("The plan", "roof", "Propose new roofs, floors and sides of ports, and what to grind.", "roof:roof"),
    ("The plan", "ring", "Whether a piston ring is safe on each window as drawn.", "ring:ring"),
    ("On paper", "sheet", "Write the build sheet, PDF or HTML.", "paper:sheet"),
    ("On paper", "template", "Draw the ports 1:1, to wrap in the bore; flat gauges.", "template:template"),
    ("To keep", "log", "Dated notes in a job, its state, and what it was before.", "keeping:log"),
    ("To keep", "where", "Where a job stands: known, decided, ground, next, missing.", "keeping:where"),
    ("To keep", "pack", "Put a job and its pictures into one file.", "keeping:pack"),
    ("To keep", "unpack", "Check a packed job and write it to a new folder.", "keeping:unpack"),
    ("To keep", "archive add", "Add jobs to the archive, or later forms of them.", "archive:add"),
    ("To keep", "archive list", "Find jobs by words, figures, days or shape.", "archive:list_"),
    ("To keep", "archive show", "Show an archived job and its forms.", "archive:show"),
    ("To keep", "archive get", "Get a job back out of the archive.", "archive:get"),
    ("To keep", "archive repeat", "Carry a good job's ports to another casting.", "repeat:repeat"),
    ("To keep", "archive verify", "Look whether the archive holds all that it says.", "archive:verify"),
    ("To keep", "archive export", "Write every job to a plain folder of its own.", "archive:export"),
    ("To keep", "archive import", "Add every job of exported folders.", "archive:import_"),
    ("To keep", "archive backup", "Copy the whole archive while it is in use.", "archive:backup"),
    ("To keep", "batch", "Do many photos or jobs at once; plans of a family.", "batch:batch"),
)

GROUPS = {
    "archive": "Keep many jobs and find them again.",
    "card": "Print a calibration card.",
}

OPTIONS = (
    ("--help", "Show this and leave."),
    ("--version", "Show the version and leave."),
    ("--install-completion", "Set up completion in this shell."),
    ("--show-completion", "Show completion for this shell."),
)


def help_text() -> str:
    """Return what `portmap --help` prints.

    Returns
    -------
    str
        Every verb in one line, by section.

    Examples
    --------
    >>> print(help_text().splitlines()[0])
    Usage: portmap VERB [OPTIONS]
    """
    lines = ["Usage: portmap VERB [OPTIONS]", "", ABOUT]
    width = max(len(name) for _, name, _, _ in VERBS)
    section = ""
    for heading, name, about, _ in VERBS:
        if heading != section:
            lines += ["", f"{heading}:"]
            section = heading
        lines.append(f"  {name:<{width}}  {about}")
    lines += ["", "Options:"]
    wide = max(len(name) for name, _ in OPTIONS)
    lines += [f"  {name:<{wide}}  {about}" for name, about in OPTIONS]
    lines += [
        "",
        "portmap VERB --help tells more. Sizes may be typed as 0.5 mm, 0,5, 20 thou or 1/16 in.",
        "Every verb takes --json for exact figures.",
    ]
    return "\n".join(lines)


def full_app() -> typer.Typer:
    """Return the whole program, made of `VERBS`.

    Returns
    -------
    typer.Typer

    Examples
    --------
    >>> import typer
    >>> {"areas", "card", "timing"} <= set(typer.main.get_command(full_app()).commands)
    True
    """
    import importlib

    import typer

    settings = {"help_option_names": ["--help", "-h"]}
    app = typer.Typer(name="portmap", help=ABOUT, context_settings=settings, pretty_exceptions_enable=False)

    def show_version(asked: bool) -> None:
        if asked:
            print(f"portmap {__version__}")
            raise typer.Exit

    @app.callback()
    def _options(
        version: bool = typer.Option(
            False, "--version", help=OPTIONS[1][1], callback=show_version, is_eager=True
        ),
    ) -> None:
        """Take the options that stand before a verb."""

    groups: dict[str, typer.Typer] = {}
    for section, name, about, place in VERBS:
        module, _, function = place.partition(":")
        body = getattr(importlib.import_module(f"portmap.commands.{module}"), function)
        *outer, verb = name.split()
        home = app
        for group in outer:
            if group not in groups:
                groups[group] = typer.Typer(
                    name=group, help=GROUPS[group], no_args_is_help=True, context_settings=settings
                )
                app.add_typer(groups[group], rich_help_panel=section)
            home = groups[group]
        home.command(name=verb, short_help=about, rich_help_panel=section if home is app else None)(body)
    return app


def main(argv: list[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv : list of str or None, optional
        Arguments; None takes those of the process.

    Returns
    -------
    int
        Exit code.

    Examples
    --------
    >>> main(["--version"])
    portmap 0.1.0
    0
    """
    arguments = sys.argv[1:] if argv is None else argv
    if COMPLETION_VARIABLE not in os.environ:
        if arguments in (["--help"], ["-h"]):
            print(help_text())
            return 0
        if arguments == ["--version"]:
            print(f"portmap {__version__}")
            return 0
        if not arguments:
            print(help_text(), file=sys.stderr)
            return 2
    from portmap.commands.running import run

    return run(arguments)
