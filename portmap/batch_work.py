"""What a worker does with one item of a batch: bytes in, bytes out.

A worker sees neither the folder that the items come from nor the one that the results go to: it is handed the
content of a file and gives back the content of files. So it may stand on another machine, and what it gives
back depends on nothing but the item and the orders. An item that is broken, or breaks portmap, gives a line
of words in place of results.

Glossary
--------
item
    A photo, a scaled image or a job.
piece
    What one worker does at one go: an item, or an item with one case of a sweep.
orders
    All that was asked for, the same for every item.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, Literal, get_args

from portmap import __version__
from portmap.batch_family import Case
from portmap.errors import JobError, Notice, PortmapError, QuantityError
from portmap.files import json_bytes, json_of

if TYPE_CHECKING:
    from portmap.job_schema import Job
    from portmap.picture.scaled import ScaledImage
    from portmap.picture.traced import Trace

__all__ = ["Orders", "Piece", "Result", "Step", "failed", "one_line", "result_of", "steps_of", "version_here"]

Step = Literal["flatten", "trace", "areas"]
STEPS: tuple[Step, ...] = get_args(Step)
LINE_LIMIT = 400  # characters of an error in a table
STEP_DEG = 10  # of the opened areas of a job


@dataclass(frozen=True, kw_only=True, slots=True)
class Orders:
    """What is asked for.

    Parameters
    ----------
    steps : tuple of str
        Of ``flatten``, ``trace``, ``areas``; empty for a study of plans.
    bar_measured_mm, mm_per_px, marked, sheet_thickness_mm
        As `portmap.picture.flatten.flatten`.
    lift, edge, expect, bore_mm
        As `portmap.picture.trace.trace`.
    stage : str or None
        Which of a job's maps.
    wants : tuple of str
        Wishes that stay the same through a study.
    have, gaskets_mm, step
        As `portmap.shop.shop_of`.
    middle : bool
        Aim at the middle of each wish.
    """

    steps: tuple[Step, ...] = ()
    bar_measured_mm: tuple[float, float] | None = None
    mm_per_px: float | None = None
    marked: Literal["axis", "wall"] = "axis"
    sheet_thickness_mm: float | None = None
    lift: Literal["filled", "line", "cut"] | None = None
    edge: Literal["inner", "middle", "outer"] | None = None
    expect: int | None = None
    bore_mm: float | None = None
    stage: str | None = None
    wants: tuple[str, ...] = ()
    have: str | None = None
    gaskets_mm: tuple[float, ...] | None = None
    step: str | None = None
    middle: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Piece:
    """What one worker does at one go.

    Parameters
    ----------
    item : str
        The item's place within its folder, with slashes.
    kind : {'picture', 'job'}
    case : Case or None
        Of a study of plans.
    """

    item: str
    kind: Literal["picture", "job"]
    case: Case | None = None

    @property
    def key(self) -> tuple[str, str]:
        """Return what tells it from every other piece."""
        return self.item, "" if self.case is None else self.case.text


@dataclass(frozen=True, kw_only=True, slots=True)
class Result:
    """What came of a piece.

    Parameters
    ----------
    outputs : dict of str to bytes
        Files by name.
    rows : tuple of dict
        Of the summary, at least one.
    error : str or None
        One line if it failed; then there are no outputs.
    """

    outputs: dict[str, bytes] = field(default_factory=dict)
    rows: tuple[dict[str, Any], ...]
    error: str | None = None


def steps_of(text: str, *, where: str = "--do") -> tuple[Step, ...]:
    """Return the steps that somebody typed, in working order.

    Parameters
    ----------
    text : str
        Names with commas between.
    where : str, optional
        What the text is for; it opens the message of an error.

    Returns
    -------
    tuple of str

    Raises
    ------
    QuantityError
        If a name is none of them, or there is none.

    Examples
    --------
    >>> steps_of("trace, flatten")
    ('flatten', 'trace')
    """
    named = [part.strip().lower() for part in text.split(",") if part.strip()]
    unknown = [name for name in named if name not in STEPS]
    if unknown or not named:
        raise QuantityError(
            f"{unknown[0][:40]!r} is no step" if unknown else "no step is named",
            where=where,
            remedy=f"name some of {', '.join(STEPS)}",
        )
    return tuple(step for step in STEPS if step in named)


def version_here() -> str:
    """Return which portmap does the work, where it is done.

    Returns
    -------
    str

    Examples
    --------
    >>> version_here() == __version__
    True
    """
    return __version__


def one_line(error: Exception) -> str:
    r"""Return an error in one line of moderate length, whatever it holds.

    Parameters
    ----------
    error : Exception
        Of several faults the first is told, and how many more there are.

    Returns
    -------
    str

    Examples
    --------
    >>> one_line(PortmapError("there is no such file", where="a\nb.json"))
    'a\\nb.json: there is no such file'
    """
    faults = error.faults if isinstance(error, JobError) else ()
    text = str(faults[0] if faults else error)
    line = "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode() for letter in text
    )
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    return (line if len(line) <= LINE_LIMIT else line[:LINE_LIMIT] + " …") + more


def failed(piece: Piece, error: str) -> Result:
    """Return the result of a piece that failed.

    Parameters
    ----------
    piece : Piece
    error : str
        One line.

    Returns
    -------
    Result

    Examples
    --------
    >>> failed(Piece(item="a.jpg", kind="picture"), "a.jpg: not a picture").rows[0]["status"]
    'failed'
    """
    return Result(rows=(_row(piece, status="failed", error=error),), error=error)


def result_of(piece: Piece, orders: Orders, contents: dict[str, bytes]) -> Result:
    """Do a piece.

    Parameters
    ----------
    piece : Piece
    orders : Orders
    contents : dict of str to bytes
        The item's file by its name; of a scaled image its sidecar too.

    Returns
    -------
    Result
        The same for the same arguments.

    Examples
    --------
    >>> piece = Piece(item="old/a.json", kind="job")
    >>> result_of(piece, Orders(steps=("areas",)), {"a.json": b"{"}).error
    'old/a.json: not valid JSON at line 1, column 2 (expecting property name enclosed in double quotes); ...'
    """
    try:
        if piece.kind == "picture":
            return _picture_result(piece, orders, contents)
        job = _job(piece, contents)
        if piece.case is None:
            return _areas_result(piece, orders, job)
        return _plan_result(piece, piece.case, orders, job)
    except PortmapError as error:
        return failed(piece, one_line(error))
    except Exception as error:
        # A fault of portmap's own, or of a library under it, in one item must not cost the other items.
        return failed(
            piece, f"{piece.item}: portmap itself failed ({type(error).__name__}: {one_line(error)})"
        )


def _row(piece: Piece, **figures: Any) -> dict[str, Any]:
    row: dict[str, Any] = {"item": piece.item, "kind": piece.kind, "status": "done", "error": None}
    if piece.case is not None:
        row |= {"case": piece.case.text, "wanted": piece.case.wanted}
    return row | figures


def _codes(warnings: Iterable[Notice]) -> str:
    return " ".join(dict.fromkeys(notice.code for notice in warnings))


def _picture_result(piece: Piece, orders: Orders, contents: dict[str, bytes]) -> Result:
    import cv2

    cv2.setNumThreads(1)  # each worker is one core; more would only contend
    with tempfile.TemporaryDirectory(prefix="portmap-") as home:
        try:
            return _worked_picture(piece, orders, contents, Path(home))
        except PortmapError as error:
            # where the worker kept it tells nobody anything, and would differ from run to run
            place = error.where.replace(f"{home}/", "") or piece.item
            place = piece.item if place == PurePosixPath(piece.item).name else place
            raise type(error)(error.message, where=place, remedy=error.remedy) from None


def _worked_picture(piece: Piece, orders: Orders, contents: dict[str, bytes], home: Path) -> Result:
    from portmap.picture.scaled import read_scaled

    outputs: dict[str, bytes] = {}
    name = PurePosixPath(piece.item).name
    if "flatten" in orders.steps:
        image = _flattened(name, orders, contents[name], home)
        outputs |= {each.name: each.read_bytes() for each in (home / "flat.png", home / "flat.json")}
    else:
        for each, content in contents.items():
            (home / each).write_bytes(content)
        image = read_scaled(home / name)
    figures: dict[str, Any] = {
        "mm_per_px": image.mm_per_px,
        "residual_mm": image.residual_mm,
        "warnings": _codes(image.notices),
    }
    if "trace" not in orders.steps:
        return Result(outputs=outputs, rows=(_row(piece, **figures),))
    found = _traced(image, orders, outputs)
    figures |= {"windows": len(found.windows), "warnings": _codes(found.notices)}
    if "areas" not in orders.steps:
        return Result(outputs=outputs, rows=(_row(piece, **figures),))
    windows = _window_figures(found)
    outputs["areas.json"] = json_bytes({"item": piece.item, "windows": windows})
    return Result(outputs=outputs, rows=tuple(_row(piece, **figures, **window) for window in windows))


def _flattened(name: str, orders: Orders, content: bytes, home: Path) -> ScaledImage:
    from portmap.picture.flatten import flatten
    from portmap.picture.load import picture_from_bytes
    from portmap.picture.scaled import read_scaled, write_scaled

    image = flatten(
        picture_from_bytes(content, name=name),
        bar_measured_mm=orders.bar_measured_mm,
        mm_per_px=orders.mm_per_px,
        marked=orders.marked,
        sheet_thickness_mm=orders.sheet_thickness_mm,
    )
    # read back, so that what is traced is what stands in the file, to the last digit
    return read_scaled(write_scaled(image, home / "flat.png"))


def _traced(image: ScaledImage, orders: Orders, outputs: dict[str, bytes]) -> Trace:
    from portmap.map_file import map_of, traced_document
    from portmap.picture.overlay import overlay_png
    from portmap.picture.trace import trace

    mirrored = image.source.get("mirrored") is True
    found = trace(
        image,
        lift=orders.lift,
        edge=orders.edge,
        expect=orders.expect,
        marked="axis" if mirrored else orders.marked,
        sheet_thickness_mm=orders.sheet_thickness_mm,
        bore_mm=orders.bore_mm,
    )
    document = traced_document(
        {window.number: window.window for window in found.windows}, source=found.source, notices=found.notices
    )
    map_of(document)  # what is written can be read again
    outputs["map.json"] = json_bytes(document)
    outputs["overlay.png"] = overlay_png(image, found)
    return found


def _window_figures(found: Trace) -> list[dict[str, Any]]:
    figures = []
    for each in found.windows:
        doubt, bounds = each.window.doubt, each.window.outline.bounds
        figures.append(
            {
                "port": str(each.number),
                "wall_area_mm2": each.area_mm2,
                "wall_area_u_mm2": None if doubt is None else doubt.wall_area_u_mm2,
                "roof_mm": each.roof_mm,
                "roof_u_mm": None if doubt is None else doubt.roof_u_mm,
                "floor_mm": each.floor_mm,
                "floor_u_mm": None if doubt is None else doubt.floor_u_mm,
                "width_mm": float(bounds[2] - bounds[0]),
            }
        )
    return figures


def _job(piece: Piece, contents: dict[str, bytes]) -> Job:
    from portmap.job import job_of
    from portmap.job_faults import kind_fault

    (content,) = contents.values()
    document = json_of(content, where=piece.item)
    fault = kind_fault(document, "job")
    if fault is not None:
        raise JobError(fault.message, where=piece.item, remedy=fault.remedy)
    try:
        return job_of(document)
    except JobError as error:
        raise error.at(piece.item) from None


def _areas_result(piece: Piece, orders: Orders, job: Job) -> Result:
    from portmap.area_table import area_csv
    from portmap.figures import areas_document
    from portmap.job import engine_of, port_map_of
    from portmap.job_review import job_notices

    try:
        engine, port_map = engine_of(job), port_map_of(job, orders.stage)
        document = areas_document(
            engine, port_map, range(0, 181, STEP_DEG), notices=job_notices(job, orders.stage)
        )
        table = area_csv(engine, port_map)
    except PortmapError as error:
        raise error.at(piece.item) from None
    warnings = " ".join(dict.fromkeys(warning["code"] for warning in document["warnings"]))
    rows = [
        _row(
            piece,
            port=port["id"],
            port_kind=port["kind"],
            warnings=warnings,
            **{name: value for name, value in port.items() if name.endswith(("_mm", "_mm2"))},
        )
        for port in document["ports"]
    ]
    return Result(
        outputs={"areas.json": json_bytes({"job": job.name, **document}), "areas.csv": table.encode()},
        rows=tuple(rows) or (_row(piece, warnings=warnings),),
    )


def _plan_result(piece: Piece, case: Case, orders: Orders, job: Job) -> Result:
    from portmap.job_review import job_notices
    from portmap.plan_document import plan_document
    from portmap.planner import planned
    from portmap.shop import shop_of
    from portmap.shop_limits import limits_of
    from portmap.shopwork import build_of
    from portmap.wishes import wishes_of

    shop = shop_of(have=orders.have, gaskets_mm=orders.gaskets_mm, step=orders.step, limits=limits_of(job))
    try:
        build = build_of(job, orders.stage)
        notices = job_notices(job, orders.stage) if job.maps or orders.stage is not None else ()
        plan = planned(build, wishes_of([*case.wishes, *orders.wants]), shop, steady=orders.middle)
        document = plan_document(plan, shop, notices=notices)
    except PortmapError as error:
        raise error.at(piece.item) from None
    document = {"job": job.name, "case": case.text, "middle": orders.middle, **document}
    figures: dict[str, Any] = {
        "possible": document["possible"],
        "warnings": " ".join(dict.fromkeys(warning["code"] for warning in document["warnings"])),
    }
    if document["recipes"]:
        figures |= _recipe_figures(document["recipes"][0], case)
    return Result(outputs={f"{_slug(case.text)}.json": json_bytes(document)}, rows=(_row(piece, **figures),))


def _recipe_figures(recipe: dict[str, Any], case: Case) -> dict[str, Any]:
    result = recipe["result"]
    reached = [outcome["after"] for outcome in recipe["wishes"] if outcome["wish"] == case.wishes[0]]
    return {
        "reached": reached[0] if reached else None,
        "work": "; ".join(
            " ".join(
                [one["operation"], *([one["port"]] if "port" in one else []), f"{one['amount_mm']:g} mm"]
            )
            for one in recipe["operations"]
        ),
        "misses": "; ".join(miss["words"] for miss in recipe["misses"]),
        "needs": ", ".join(recipe["needs"]),
        "chance": recipe["chance"],
        "setups": recipe["setups"],
        "metal_mm": recipe["metal_mm"],
        **{name: value for name, value in result.items() if not isinstance(value, dict)},
    }


def _slug(text: str) -> str:
    return "".join(letter if letter.isalnum() or letter in ".-±" else "-" for letter in text)[:150]
