"""What is wrong with the shape of a job or map file, in words and with the place.

A place is written as a path from the top: ``maps[0].ports[2].windows[0].outline_mm[3][1]``. Every fault
is found, not the first alone.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError

from portmap.errors import JobError, PortmapError
from portmap.files import read_json
from portmap.job_schema import MINOR, VERSION

__all__ = [
    "accepted",
    "checked_kind",
    "document_of",
    "extras_of",
    "kind_fault",
    "nearest",
    "path_of",
    "quoted",
    "read_kind",
    "schema_faults",
]

DEPTH_LIMIT = 100  # of nesting; our own files need nine
FAULTS_SHOWN = 25  # a file with more is wrong as a whole

Model = TypeVar("Model", bound=BaseModel)


def kind_fault(document: object, kind: str) -> JobError | None:
    """Return why a document is no file of this kind that can be read at all.

    Parameters
    ----------
    document : object
        As the json module gives it.
    kind : str
        What the file should be: ``job`` or ``map``.

    Returns
    -------
    JobError or None
        None if its fields are worth looking at.

    Examples
    --------
    >>> print(kind_fault({"format": "portmap-job", "version": 2}, "job"))
    version: version 2 is newer than this portmap, which reads 1; update portmap
    """
    if not isinstance(document, dict):
        return JobError(f"this is not a {kind} file", remedy=f"name a {kind} file of portmap")
    shape, version = document.get("format"), document.get("version")
    wanted = f"portmap-{kind}"
    if shape != wanted:
        other = f"it says {quoted(shape)}" if "format" in document else "it says nothing"
        return JobError(
            f'the format must be "{wanted}", but {other}', where="format", remedy=f"name a {kind} file"
        )
    if isinstance(version, int) and not isinstance(version, bool) and version > VERSION:
        newer = f"version {quoted(version)} is newer than this portmap, which reads {VERSION}"
        return JobError(newer, where="version", remedy="update portmap")
    return next(_unwritable(document), None)


def schema_faults(model: type[BaseModel], document: dict[str, Any]) -> tuple[PortmapError, ...]:
    """Return what is wrong with the shape of a document, each with its path.

    Parameters
    ----------
    model : type of BaseModel
        `Job` or `MapFile`.
    document : dict
        One that `kind_fault` has nothing against.

    Returns
    -------
    tuple of PortmapError
        Empty if the shape is right.

    Examples
    --------
    >>> from portmap.job_schema import Job
    >>> for fault in schema_faults(Job, {"format": "portmap-job", "version": 1, "nam": "x"}):
    ...     print(fault)
    name: is missing; add it
    engine: is missing; add it
    maps: is missing; add it
    nam: is not a field here; did you mean name?
    """
    try:
        model.model_validate(document, extra=extras_of(document))
    except ValidationError as error:
        return tuple(_fault(model, item) for item in error.errors(include_url=False) if not _echo(item))
    return ()


def _echo(item: Any) -> bool:
    """Return whether a list is only found too short because something in it is at fault itself."""
    return bool(item["type"] == "too_short" and len(item["input"]) >= item["ctx"]["min_length"])


def checked_kind(document: object, kind: str) -> dict[str, Any]:
    """Return the document if it is a file of this kind that can be read.

    Parameters
    ----------
    document : object
        As the json module gives it.
    kind : str
        ``job`` or ``map``.

    Returns
    -------
    dict

    Raises
    ------
    JobError
        As `kind_fault`.

    Examples
    --------
    >>> sorted(checked_kind({"format": "portmap-map", "version": 1}, "map"))
    ['format', 'version']
    """
    fault = kind_fault(document, kind)
    if fault is not None or not isinstance(document, dict):
        raise fault or JobError(f"this is not a {kind} file")
    return document


def read_kind(path: Path | str, kind: str) -> dict[str, Any]:
    """Return the document in a file if it is of this kind.

    Parameters
    ----------
    path : Path or str
        JSON.
    kind : str
        ``job`` or ``map``.

    Returns
    -------
    dict

    Raises
    ------
    JobError
        As `read_json` and `kind_fault`; with the file's name, since a place within a file of another kind
        would tell nobody anything.

    Examples
    --------
    >>> read_kind("no-such.json", "map")
    Traceback (most recent call last):
    portmap.errors.JobError: no-such.json: there is no such file; check the name
    """
    document = read_json(path)
    fault = kind_fault(document, kind)
    if fault is not None:
        raise JobError(fault.message, where=str(path), remedy=fault.remedy)
    return checked_kind(document, kind)


def accepted(model: type[Model], document: dict[str, Any], sense: tuple[PortmapError, ...]) -> Model:
    """Return the model that a document makes, or refuse it with all its faults.

    Parameters
    ----------
    model : type of BaseModel
        `Job` or `MapFile`.
    document : dict
        One that `kind_fault` has nothing against.
    sense : tuple of PortmapError
        What `portmap.job_sense` found in it.

    Returns
    -------
    BaseModel
        Of that type.

    Raises
    ------
    JobError
        With the faults of shape first; the first 25 of them if there are more.

    Examples
    --------
    >>> from portmap.job_schema import MapFile
    >>> accepted(MapFile, {"format": "portmap-map", "version": 1, "ports": []}, ()).ports
    ()
    """
    shape = schema_faults(model, document)
    places = {fault.where for fault in shape}
    faults = (*shape, *(fault for fault in sense if fault.where not in places))
    if faults:
        if len(faults) > FAULTS_SHOWN:
            more = JobError(f"and {len(faults) - FAULTS_SHOWN} faults more", remedy="mend these first")
            faults = (*faults[:FAULTS_SHOWN], more)
        raise JobError.of(faults)
    return model.model_validate(document, extra=extras_of(document))


def document_of(entry: BaseModel) -> dict[str, Any]:
    """Return a job or map as its file holds it.

    Parameters
    ----------
    entry : BaseModel
        A `Job`, a `MapFile` or a part of one.

    Returns
    -------
    dict
        What was given and no more; unknown fields of a newer minor version are in it untouched.

    Examples
    --------
    >>> from portmap.job_schema import MapFile
    >>> document = {"format": "portmap-map", "version": 1, "minor": 3, "ports": [], "colour": "blue"}
    >>> document_of(accepted(MapFile, document, ())) == document
    True
    """
    known = {
        name: getattr(entry, name) for name in type(entry).model_fields if name in entry.model_fields_set
    }
    return {name: _plain(value) for name, value in {**known, **(entry.model_extra or {})}.items()}


def _plain(value: object) -> object:
    if isinstance(value, BaseModel):
        return document_of(value)
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    return value


def extras_of(document: dict[str, Any]) -> Literal["allow", "forbid"]:
    """Return what to do with unknown fields: keep those of a newer minor version, refuse others.

    Parameters
    ----------
    document : dict
        A job or map.

    Returns
    -------
    {'allow', 'forbid'}

    Examples
    --------
    >>> extras_of({"version": 1}), extras_of({"version": 1, "minor": 7})
    ('forbid', 'allow')
    """
    minor = document.get("minor", 0)
    newer = isinstance(minor, int) and not isinstance(minor, bool) and minor > MINOR
    return "allow" if newer else "forbid"


def _unwritable(document: object) -> Iterator[JobError]:
    """Yield values that JSON cannot hold or that no file of ours holds, without recursion."""
    waiting: list[tuple[tuple[str | int, ...], object]] = [((), document)]
    while waiting:
        place, value = waiting.pop()
        if len(place) > DEPTH_LIMIT:
            yield JobError("nested too deeply", where=path_of(place[:4]), remedy="this is not a file of ours")
        elif isinstance(value, dict):
            for key, inner in value.items():
                if not isinstance(key, str) or not _is_text(key):
                    yield JobError("a key is not text", where=path_of(place), remedy="mend that key")
                else:
                    waiting.append(((*place, key), inner))
        elif isinstance(value, (list, tuple)):
            waiting.extend(((*place, number), inner) for number, inner in enumerate(value))
        elif isinstance(value, str) and not _is_text(value):
            yield JobError(
                "holds half a character (a lone surrogate)", where=path_of(place), remedy="write it again"
            )
        elif isinstance(value, int) and value.bit_length() > 1000:
            yield JobError("a number without end", where=path_of(place), remedy="write it again")


def _is_text(value: str) -> bool:
    return not re.search("[\ud800-\udfff]", value)


def path_of(place: Sequence[str | int]) -> str:
    """Return a place in a document as people write it.

    Parameters
    ----------
    place : sequence of str or int
        Keys and numbers from the top.

    Returns
    -------
    str

    Examples
    --------
    >>> path_of(("maps", 0, "ports", 2, "id")), path_of(("source", "a b"))
    ('maps[0].ports[2].id', "source['a b']")
    """
    path = ""
    for step in place:
        if isinstance(step, int):
            path += f"[{step}]"
        elif re.fullmatch(r"\w{1,60}", step):
            path += f".{step}" if path else step
        else:
            path += f"[{quoted(step)}]"
    return path


def nearest(word: str, known: Sequence[str]) -> str | None:
    """Return the known word that somebody most likely meant.

    Parameters
    ----------
    word : str
    known : sequence of str

    Returns
    -------
    str or None
        None if no word is near.

    Examples
    --------
    >>> nearest("bore", ["bore_mm", "stroke_mm"]), nearest("colour", ["bore_mm"])
    ('bore_mm', None)
    """
    return next(iter(difflib.get_close_matches(word[:60], known, n=1, cutoff=0.6)), None)


def _fault(model: type[BaseModel], item: Any) -> PortmapError:
    """Return one of pydantic's findings in our words."""
    place, kind, given = tuple(item["loc"]), str(item["type"]), item["input"]
    limits: dict[str, Any] = item.get("ctx", {})
    unit = _unit_of(place)
    message, remedy = f"{quoted(given)} is not right here", "mend it"
    if kind == "missing":
        message, remedy = "is missing", "add it"
    elif kind == "extra_forbidden":
        near = nearest(str(place[-1]), _fields_at(model, place[:-1]))
        message, remedy = "is not a field here", f"did you mean {near}?" if near else "remove it"
    elif kind in {"float_type", "int_type"}:
        message, remedy = f"{quoted(given)} is not a number", "write a plain number, without quotes"
    elif kind == "finite_number":
        message, remedy = f"{given} is not a figure", "measure it again"
    elif kind in {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}:
        limit = limits[{"greater_than": "gt", "greater_than_equal": "ge", "less_than": "lt"}.get(kind, "le")]
        word = {"greater_than": "above", "greater_than_equal": "at least", "less_than": "below"}.get(
            kind, "at most"
        )
        message = f"{quoted(given)} makes no sense here: it must be {word} {limit:g}{unit}"
        remedy = "check the figure and its unit" if unit else "check the figure"
    elif kind == "literal_error":
        known = _choices(str(limits.get("expected", "")))
        near = nearest(given, known) if isinstance(given, str) else None
        message = f"{quoted(given)} is not one of {', '.join(known)}"
        remedy = f"did you mean {near}?" if near else "choose one of them"
    elif kind == "string_type":
        message, remedy = f"{quoted(given)} is not text", "write it in quotes"
    elif kind in {"string_too_short", "string_too_long"}:
        message, remedy = "this text is empty or too long", "write a short one"
    elif kind == "string_pattern_mismatch":
        message = f"{quoted(given)} cannot be a name"
        remedy = "use up to 40 letters, figures, blanks and . _ + -"
    elif kind == "bool_type":
        message, remedy = f"{quoted(given)} is neither true nor false", "write true or false"
    elif kind in {"tuple_type", "list_type"}:
        message, remedy = f"{quoted(given)} is not a list", "write it in square brackets"
    elif kind in {"model_type", "dict_type", "model_attributes_type"}:
        message, remedy = f"{quoted(given)} is not an object", "write it in braces"
    elif kind == "too_short":
        message, remedy = f"at least {limits['min_length']} must stand here", "add what is missing"
    elif kind == "too_long":
        message, remedy = f"at most {limits['max_length']} may stand here", "take the rest away"
    return JobError(message, where=path_of(place), remedy=remedy)


def _unit_of(place: tuple[str | int, ...]) -> str:
    name = next((step for step in reversed(place) if isinstance(step, str)), "")
    for ending, unit in (("_mm", "mm"), ("_cm3", "cm³"), ("_mm2", "mm²"), ("_deg", "degrees")):
        if name.endswith(ending):
            return f" {unit}"
    return ""


def _choices(expected: str) -> list[str]:
    return re.findall(r"'([^']*)'", expected) or [expected]


def quoted(value: object) -> str:
    """Return a value as a fault shows it: on one line, short, and never the digits of a huge number.

    Parameters
    ----------
    value : object
        From a file.

    Returns
    -------
    str

    Examples
    --------
    >>> quoted("46"), quoted(None), quoted(10**400), quoted([1, 2])
    ("'46'", 'null', 'a huge number', 'a list')
    """
    if value is None or isinstance(value, bool):
        return "null" if value is None else str(value).lower()
    if isinstance(value, int) and value.bit_length() > 100:
        return "a huge number"
    if isinstance(value, (dict, list, tuple)):
        return "an object" if isinstance(value, dict) else "a list"
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:37]}..."


def _fields_at(model: type[BaseModel], place: Sequence[str | int]) -> list[str]:
    """Return the names that a model knows at a place in it."""
    found: Any = model
    for step in place:
        if isinstance(step, str) and _is_model(found):
            found = found.model_fields[step].annotation if step in found.model_fields else None
        found = _model_within(found)
    return [*found.model_fields] if _is_model(found) else []


def _is_model(value: object) -> bool:
    return isinstance(value, type) and issubclass(value, BaseModel)


def _model_within(annotation: object) -> object:
    """Return the model that a field's annotation holds, through options, tuples and Annotated."""
    if _is_model(annotation):
        return annotation
    parts = get_args(annotation)[:1] if get_origin(annotation) is Annotated else get_args(annotation)
    return next((inner for part in parts if (inner := _model_within(part)) is not None), None)
