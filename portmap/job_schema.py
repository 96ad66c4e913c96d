"""The shape of a job file and of a map file: pydantic models that stand at the files' border only.

Field names end in their unit. Numbers are numbers (no text, no true or false), finite and within what an
engine can have; what several fields must agree on is checked in `portmap.job_sense`. A field that is not
known is a fault, except in a file of a newer minor version, where it is kept untouched.

Glossary
--------
basis
    Whether a figure was measured, fitted from readings, or assumed.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue

from portmap.port import Control, Kind, Stage
from portmap.roof_edit import Edge, Family

__all__ = [
    "CylinderEntry",
    "DoubtEntry",
    "EdgeEntry",
    "EditEntry",
    "EngineDoubtEntry",
    "EngineEntry",
    "IntakeEntry",
    "Job",
    "LogEntry",
    "MapEntry",
    "MapFile",
    "NoticeEntry",
    "OperationEntry",
    "PictureEntry",
    "PistonEntry",
    "PlanEntry",
    "PocketEntry",
    "PortEntry",
    "ReadingEntry",
    "ReadingKind",
    "RevisionEntry",
    "WindowEntry",
]

VERSION = 1
MINOR = 0

SIZE_RANGE_MM = (5.0, 500.0)  # of bore and stroke

Basis = Literal["measured", "fitted", "assumed"]

Version = Annotated[int, Field(ge=VERSION, le=VERSION)]  # not Literal, to which true is 1
Size = Annotated[float, Field(ge=SIZE_RANGE_MM[0], le=SIZE_RANGE_MM[1])]
Height = Annotated[float, Field(gt=0, le=1000)]
Coordinate = Annotated[float, Field(ge=-10_000, le=10_000)]
# the tuples are lax so that a JSON list may stand for them; what is in them stays strict
Corner = Annotated[tuple[Coordinate, Coordinate], Field(strict=False)]
Ring = Annotated[tuple[Corner, ...], Field(strict=False, min_length=3, max_length=100_000)]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Text = Annotated[str, Field(max_length=100_000)]
PortId = Annotated[str, Field(pattern=r"^[\p{L}\p{N}_][\p{L}\p{N}_ .+\-]{0,39}$")]
Uncertainty = Annotated[float, Field(ge=0, le=1000)]
Depth = Annotated[float, Field(ge=0, le=1000)]
Covariance = Annotated[float, Field(ge=-1e9, le=1e9)]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Row = Annotated[tuple[Covariance, ...], Field(strict=False, max_length=200)]

ReadingKind = Literal[
    "opens",
    "closes",
    "roof_height",
    "floor_height",
    "roof_from_deck",
    "floor_from_deck",
    "roof_depth",
    "floor_depth",
    "squish",
    "depth_at",
    "head_volume",
    "case_volume",
    "cranking_pressure",
    "gasket",
    "gasket_crushed",
    "bore",
    "stroke",
    "rod",
    "pin_offset",
    "crown_height",
    "skirt_length",
    "deck_height",
    "squish_band_height",
]


class _Entry(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class DoubtEntry(_Entry):
    """Standard uncertainties (k = 1) of a window's outline."""

    roof_u_mm: Uncertainty
    floor_u_mm: Uncertainty
    wall_area_u_mm2: Uncertainty
    edge_u_mm: Uncertainty = Field(description="of one outline point, square to the edge")


class WindowEntry(_Entry):
    """One opening in the bore wall."""

    outline_mm: Ring = Field(
        description="corners [x, y]; x along the wall from the exhaust centre line, to the right as seen from"
        " the bore axis, y above the base face; the first corner is not repeated"
    )
    holes_mm: Annotated[tuple[Ring, ...], Field(strict=False)] = Field(
        default=(), description="islands of metal inside"
    )
    doubt: DoubtEntry | None = None


class PocketEntry(_Entry):
    """The recess in the skirt that controls an air channel; depths below the crown edge."""

    top_below_crown_mm: Annotated[float, Field(ge=0, le=1000)]
    bottom_below_crown_mm: Annotated[float, Field(ge=0, le=1000)]


class PortEntry(_Entry):
    """Windows that serve one purpose."""

    id: PortId
    kind: Kind
    control: Control = Field(description="the piston edge that opens and closes it")
    windows: Annotated[tuple[WindowEntry, ...], Field(strict=False, min_length=1)]
    mirror: bool = Field(default=False, description="each window also stands mirrored at -x")
    tilt_deg: Annotated[float, Field(gt=-90, lt=90)] | None = Field(
        default=None, description="passage against the window's radial direction; for the directed area"
    )
    pocket: PocketEntry | None = None
    kind_guessed: bool = Field(default=False, description="the kind was guessed from the position")
    notes: Text | None = None


class NoticeEntry(_Entry):
    """A doubt that travels with the file."""

    code: Name
    message: Text


class MapEntry(_Entry):
    """All ports at one stage."""

    stage: Stage
    ports: Annotated[tuple[PortEntry, ...], Field(strict=False)]
    source: dict[str, JsonValue] | None = Field(default=None, description="where the outlines came from")
    warnings: Annotated[tuple[NoticeEntry, ...], Field(strict=False)] = ()
    created: Name | None = None
    notes: Text | None = None


class PistonEntry(_Entry):
    """The piston beside its crown edge and skirt."""

    crown_thickness_mm: Depth | None = Field(default=None, description="metal of the crown at its thinnest")
    ring_below_crown_mm: Depth | None = Field(
        default=None, description="upper side of the top ring below the crown edge"
    )
    ring_height_mm: Depth | None = Field(default=None, description="of one ring")
    lowest_ring_below_crown_mm: Depth | None = Field(
        default=None, description="lower side of the lowest ring below the crown edge"
    )
    exhaust_skirt_length_mm: Height | None = Field(
        default=None, description="crown edge to skirt edge on the exhaust side"
    )
    ring_ends_x_mm: Annotated[tuple[Coordinate, ...], Field(strict=False, max_length=20)] = Field(
        default=(), description="where the rings' ends (pins) run on the wall"
    )
    crown_profile_mm: Annotated[tuple[Corner, ...], Field(strict=False, max_length=10_000)] = Field(
        default=(),
        description="[radius, height above the crown edge] from the axis outward; minus for a dish",
    )


class EngineDoubtEntry(_Entry):
    """How sure the engine's figures are, as `portmap fit` found it."""

    figures: Annotated[tuple[Name, ...], Field(strict=False, max_length=200)] = Field(
        description="field names, or roof_mm:PORT and floor_mm:PORT"
    )
    covariance: Annotated[tuple[Row, ...], Field(strict=False, max_length=200)] = Field(
        description="square, in that order; products of the figures' units"
    )


class IntakeEntry(_Entry):
    """A rotary or reed valve of the case, by areas that somebody measured; the gas model takes it."""

    kind: Literal["rotary", "reed"]
    opened_deg_mm2: Annotated[tuple[Corner, ...], Field(strict=False, max_length=2000)] = Field(
        default=(), description="for rotary: rows [degree after TDC, opened area], degrees rising, from 0"
    )
    opened_bar_mm2: Annotated[tuple[Corner, ...], Field(strict=False, max_length=2000)] = Field(
        default=(),
        description="for reed: rows [pressure of the air over the case's, opened area], pressures rising;"
        " beyond the last row the petals lie on their stop",
    )
    notes: Text | None = Field(default=None, description="how the areas were come by")


class EngineEntry(_Entry):
    """Bore, crank and piston."""

    bore_mm: Size
    stroke_mm: Size
    rod_mm: Annotated[float, Field(ge=5, le=2000)] | None = Field(
        default=None, description="between centres; null if nobody measured it"
    )
    rod_ratio: Annotated[float, Field(gt=0.5, le=10)] | None = Field(
        default=None, description="rod over stroke, to estimate a rod that nobody measured"
    )
    pin_offset_mm: Annotated[float, Field(ge=-100, le=100)] = Field(
        default=0.0, description="positive toward the side to which the crankpin goes after TDC"
    )
    crown_height_mm: Height = Field(description="crown edge above the case deck at TDC")
    skirt_length_mm: Height | None = Field(
        default=None, description="crown edge to skirt edge on the intake side"
    )
    head_volume_cm3: Annotated[float, Field(gt=0, le=1e5)] | None = None
    case_volume_cm3: Annotated[float, Field(gt=0, le=1e6)] | None = None
    intake: IntakeEntry | None = Field(
        default=None, description="valve of the case; null where windows in the bore's wall let the air in"
    )
    piston: PistonEntry = PistonEntry()
    doubt: EngineDoubtEntry | None = None
    basis: dict[str, Basis] = Field(
        default={}, description="for each field named: measured, fitted or assumed; measured unless said"
    )


class CylinderEntry(_Entry):
    """The casting's own heights above its base face."""

    base_gasket_mm: Annotated[float, Field(ge=0, le=50)] = Field(
        default=0.0, description="thickness fitted now; 0 for none"
    )
    squish_band_height_mm: Height | None = None
    squish_band_width_mm: Height | None = Field(default=None, description="from the bore's wall inward")
    deck_height_mm: Height | None = None
    base_flange_mm: Height | None = Field(
        default=None, description="thickness of the flange that stands on the gasket"
    )
    wall_thickness_mm: Height | None = Field(
        default=None, description="metal between the bore and the passage at a port's edge"
    )
    basis: dict[str, Basis] = Field(default={}, description="as in engine")


class ReadingEntry(_Entry):
    """One reading at the bench, as it was read."""

    kind: ReadingKind
    port: PortId | None = Field(default=None, description="for readings of a port")
    value: Annotated[float, Field(ge=-10_000, le=1e6)] = Field(
        description="in the unit; of several places the mean"
    )
    unit: Literal["deg", "mm", "cm3", "bar"]
    at_deg: Annotated[float, Field(ge=0, le=360)] | None = Field(
        default=None, description="for depth_at: degrees after true TDC"
    )
    gasket_mm: Annotated[float, Field(ge=0, le=50)] | None = Field(
        default=None, description="fitted while reading, 0 for none; null: the cylinder's own"
    )
    places_mm: Annotated[tuple[Coordinate, ...], Field(strict=False, max_length=100)] = Field(
        default=(), description="squish by solder at several places"
    )
    tool: Name | None = None
    times: Annotated[int, Field(ge=1, le=1000)] = Field(default=1, description="how often it was read")
    doubt: Annotated[float, Field(gt=0, le=1e4)] | None = Field(
        default=None, description="standard uncertainty (k = 1) in the unit; null: the tool's"
    )
    date: Name | None = None
    altitude_m: Annotated[float, Field(ge=-500, le=9000)] | None = None
    temperature_c: Annotated[float, Field(ge=-80, le=80)] | None = None
    note: Text | None = None


class EdgeEntry(_Entry):
    """A port whose heights are known from readings alone."""

    id: PortId
    kind: Kind
    control: Control
    roof_mm: Coordinate | None = None
    floor_mm: Coordinate | None = None
    roof_u_mm: Uncertainty | None = None
    floor_u_mm: Uncertainty | None = None


class EditEntry(_Entry):
    """One edge of a port as it is to become; the proposed map is made of the stock one and all of these."""

    port: PortId
    windows: Annotated[
        tuple[Annotated[int, Field(ge=0, le=1000)], ...], Field(strict=False, max_length=100)
    ] = Field(default=(), description="numbers of the port's windows from 0, mirrored ones last; empty: all")
    edge: Edge = "roof"
    family: Family = "moved"
    by_mm: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        default=None, description="for a moved edge: how far from where it is"
    )
    height_mm: Coordinate | None = Field(
        default=None, description="of the new roof's highest or the new floor's lowest point"
    )
    rise_mm: Depth = Field(default=0.0, description="for arched: of the middle over the ends")
    radius_mm: Depth = Field(default=0.0, description="of the corners")
    drop_mm: Annotated[float, Field(ge=-1000, le=1000)] = Field(
        default=0.0, description="for blended: how much less the end away from the exhaust is cut"
    )
    step_mm: Height | None = Field(default=None, description="for blended: width of the step")
    width_mm: Height | None = Field(default=None, description="for sides: the new width along the wall")
    as_one: bool = Field(default=False, description="one arch, slope or width over all the windows")
    wish: Text = Field(default="", description="what was asked for, in words")


class OperationEntry(_Entry):
    """One piece of work of a plan."""

    operation: Name
    amount_mm: Annotated[float, Field(ge=0, le=1000)]
    port: PortId | None = None


class PlanEntry(_Entry):
    """The recipe that was chosen, kept so that the job can rest."""

    wishes: Annotated[tuple[Text, ...], Field(strict=False, max_length=100)]
    operations: Annotated[tuple[OperationEntry, ...], Field(strict=False, max_length=100)]
    steps: Annotated[tuple[Text, ...], Field(strict=False, max_length=200)] = Field(
        default=(), description="in working order, in words"
    )
    kept: Name | None = Field(default=None, description="date")


class PictureEntry(_Entry):
    """A picture that belongs to the job; its bytes stand beside the job, in a pack or in the archive."""

    name: Name = Field(description="of the file that it came from")
    sha256: Sha256
    size_bytes: Annotated[int, Field(ge=0)]
    note: Text | None = None


class LogEntry(_Entry):
    """One dated note of the bench log."""

    at: Name = Field(description="date, or date and time with its zone")
    by: Name | None = None
    text: Text
    state: Name | None = Field(default=None, description="of the job from then on, in the porter's words")
    pictures: Annotated[tuple[PictureEntry, ...], Field(strict=False, max_length=1000)] = ()


class RevisionEntry(_Entry):
    """What the job was before one change of it, and why it was changed (see portmap.revisions)."""

    at: Name
    by: Name | None = None
    reason: Text
    sha256: Sha256 = Field(description="of the earlier form")
    kept: Annotated[str, Field(max_length=90_000_000)] = Field(description="base64 of deflated JSON")


class Job(_Entry):
    """A job: one engine, one cylinder, its port maps."""

    format: Literal["portmap-job"]
    version: Version
    minor: Annotated[int, Field(ge=0)] = 0
    name: Name
    created: Name | None = None
    notes: Text | None = None
    engine: EngineEntry
    cylinder: CylinderEntry = CylinderEntry()
    maps: Annotated[tuple[MapEntry, ...], Field(strict=False)]
    readings: Annotated[tuple[ReadingEntry, ...], Field(strict=False, max_length=10_000)] = ()
    edges: Annotated[tuple[EdgeEntry, ...], Field(strict=False, max_length=200)] = Field(
        default=(), description="ports known from readings alone"
    )
    edits: Annotated[tuple[EditEntry, ...], Field(strict=False, max_length=500)] = Field(
        default=(), description="changes of edges, in their order, that make the proposed map"
    )
    plan: PlanEntry | None = None
    limits: dict[Name, Annotated[float, Field(ge=-1000, le=1000)]] = Field(
        default={}, description="the job's own limits of work, by name, in place of the usual ones"
    )
    warnings: Annotated[tuple[NoticeEntry, ...], Field(strict=False)] = ()
    pictures: Annotated[tuple[PictureEntry, ...], Field(strict=False, max_length=1000)] = ()
    log: Annotated[tuple[LogEntry, ...], Field(strict=False, max_length=10_000)] = Field(
        default=(), description="dated notes, the oldest first"
    )
    history: Annotated[tuple[RevisionEntry, ...], Field(strict=False, max_length=100_000)] = Field(
        default=(), description="earlier forms, the oldest first"
    )


class MapFile(_Entry):
    """What `portmap trace` writes: windows as ports, before anybody said which is which."""

    format: Literal["portmap-map"]
    version: Version
    minor: Annotated[int, Field(ge=0)] = 0
    ports: Annotated[tuple[PortEntry, ...], Field(strict=False)]
    source: dict[str, JsonValue] | None = None
    warnings: Annotated[tuple[NoticeEntry, ...], Field(strict=False)] = ()
    created: Name | None = None
    notes: Text | None = None
