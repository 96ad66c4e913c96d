"""Compression as a document for other programs: volumes, ratios, cranking pressure, squish, pull at the rope.

What an ingredient is missing for is None, and a notice says which ingredient and how to get it. Every key
ends in its unit; ratios and shares have none. Pressures are in bar, gauge unless their name says air.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from portmap.atmosphere import Air, air, sea_level_gauge_pa
from portmap.crank import angle_of_depth
from portmap.cranking import (
    EXPONENTS,
    EXPONENTS_BASIS,
    TOO_MUCH,
    USUAL_BASIS,
    cranking_range,
    implied_exponent,
    ratio_for_cranking,
    reading_words,
    work_engine_words,
)
from portmap.crown import crown_volume_cm3
from portmap.engine import Engine
from portmap.errors import GeometryError, Notice
from portmap.port import PortEdges
from portmap.ratio import case_ratio, geometric_ratio, trapped_ratio
from portmap.rope import (
    BLEED_BASIS,
    CRANKING_RPM_GUESS,
    FRICTION_BASIS,
    Bleed,
    Friction,
    Pull,
    PullRange,
    pull_range,
)
from portmap.rope_words import PULL_BASIS, cold_words, pull_words
from portmap.squish import (
    VELOCITY_GUIDE_BASIS,
    VELOCITY_GUIDE_M_PER_S,
    bowl_volume_cm3,
    squish_area_ratio,
    squish_peak,
    squish_velocity_at,
)
from portmap.volume import (
    exhaust_closing_depth_mm,
    squish_band_volume_cm3,
    squish_clearance_mm,
    swept_volume_cm3,
    trapped_volume_cm3,
)

__all__ = ["COLD_AND_WARM_C", "GaugeReading", "Starter", "compression_document"]

COLD_AND_WARM_C = (-30.0, 20.0)
PA_PER_BAR = 1e5
SQUISH_DEGREES = (330.0, 335.0, 340.0, 345.0, 348.0, 350.0, 352.0, 354.0, 356.0, 358.0, 360.0)

Found = TypeVar("Found")


@dataclass(frozen=True, kw_only=True, slots=True)
class GaugeReading:
    """A cranking pressure that somebody read.

    Parameters
    ----------
    gauge_pa : float
        As read [Pa].
    u_pa : float
        Standard uncertainty [Pa].
    air : Air
        Where it was read.
    name : str
        Which reading it is, in words.
    """

    gauge_pa: float
    u_pa: float
    air: Air
    name: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Starter:
    """How the engine is pulled.

    Parameters
    ----------
    pulley_radius_mm : float
        From the crankshaft's axis to the rope's middle [mm].
    pulley_assumed : bool
        Whether nobody gave it.
    bleed : Bleed or None
        Hole or valve that lets the charge out.
    friction : Friction or None
        None for the assumed one.
    """

    pulley_radius_mm: float
    pulley_assumed: bool = False
    bleed: Bleed | None = None
    friction: Friction | None = None


def compression_document(
    engine: Engine,
    edges: Sequence[PortEdges],
    *,
    at: Air,
    rpm: Sequence[float],
    starter: Starter,
    readings: Iterable[GaugeReading] = (),
    notices: Iterable[Notice] = (),
) -> dict[str, Any]:
    """Return volumes, ratios, cranking pressure, squish and rope pull of an engine.

    Parameters
    ----------
    engine : Engine
    edges : sequence of PortEdges
        All of the cylinder's ports; the exhaust's roof is needed.
    at : Air
        Where the engine is.
    rpm : sequence of float
        Crank speeds for the squish velocity [rev/min].
    starter : Starter
    readings : iterable of GaugeReading, optional
        Cranking pressures to hold against the model.
    notices : iterable of Notice, optional
        Doubts that the job carries.

    Returns
    -------
    dict
        ``air``, ``volumes``, ``ratios``, ``cranking``, ``readings``, ``squish``, ``rope``, ``caution``,
        ``assumed``, ``fitted``, ``warnings``.

    Raises
    ------
    QuantityError
        If a speed is not above 0.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> engine = Engine(bore_mm=46, crank=Crank(stroke_mm=32, rod_mm=58), crown_height_mm=61,
    ...                 head_volume_cm3=6.1)
    >>> exhaust = PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=40.0)
    >>> starter = Starter(pulley_radius_mm=30)
    >>> found = compression_document(engine, [exhaust], at=air(), rpm=[], starter=starter)
    >>> round(found["ratios"]["trapped_ratio"], 2), found["ratios"]["case_ratio"]
    (6.72, None)
    """
    lacks: list[Notice] = []

    def known(work: Callable[[], Found]) -> Found | None:
        try:
            return work()
        except GeometryError as error:
            place = f"{error.where}: " if error.where else ""
            message = f"{place}{error.message}; {error.remedy}."
            lacks.append(Notice(code="not-known", message=message))
            return None

    closing = known(lambda: exhaust_closing_depth_mm(engine, edges))
    geometric = known(lambda: geometric_ratio(engine))
    trapped = None if closing is None or geometric is None else trapped_ratio(engine, closing)
    profile = engine.piston.crown_profile_mm
    ratios = {
        "geometric_ratio": geometric,
        "trapped_ratio": trapped,
        "case_ratio": known(lambda: case_ratio(engine)),
    }
    volumes = {
        "swept_volume_cm3": swept_volume_cm3(engine),
        "head_volume_cm3": engine.head_volume_cm3,
        "squish_band_volume_cm3": known(lambda: squish_band_volume_cm3(engine)),
        "bowl_volume_cm3": known(lambda: bowl_volume_cm3(engine)),
        "crown_volume_cm3": known(lambda: crown_volume_cm3(profile)) if profile else None,
        "trapped_volume_cm3": None
        if trapped is None or closing is None
        else trapped_volume_cm3(engine, closing),
        "case_volume_cm3": engine.case_volume_cm3,
        "exhaust_closing_depth_mm": closing,
        "exhaust_closes_deg": (
            None if closing is None else float(angle_of_depth(engine.crank, closing, rising=True))
        ),
    }
    rope = None
    if trapped is not None and closing is not None:
        depth = closing
        rope = known(lambda: _rope(engine, depth, at, starter))
    squish = _squish(engine, rpm, volumes) if volumes["squish_band_volume_cm3"] is not None else None
    return {
        "air": {
            "air_pressure_bar": at.pressure_pa / PA_PER_BAR,
            "pressure_from": at.pressure_from,
            "temperature_c": at.temperature_c,
            "temperature_from": at.temperature_from,
            "density_kg_per_m3": at.density_kg_per_m3,
        },
        "volumes": volumes,
        "ratios": ratios,
        "cranking": None if trapped is None else _cranking(trapped, at),
        "readings": [_reading(one, trapped) for one in readings],
        "squish_clearance_mm": None if engine.squish_band_height_mm is None else squish_clearance_mm(engine),
        "squish": squish,
        "rope": rope,
        "caution": TOO_MUCH,
        "assumed": list(engine.assumed),
        "fitted": list(engine.fitted),
        "warnings": [notice.as_dict() for notice in dict.fromkeys((*notices, *lacks))],
    }


def _cranking(trapped: float, at: Air) -> dict[str, Any]:
    here, sea = cranking_range(trapped, ambient_pa=at.pressure_pa), cranking_range(trapped)
    return {
        "exponent_low": EXPONENTS[0],
        "exponent_high": EXPONENTS[1],
        "here_low_bar": here.low_pa / PA_PER_BAR,
        "here_high_bar": here.high_pa / PA_PER_BAR,
        "sea_level_low_bar": sea.low_pa / PA_PER_BAR,
        "sea_level_high_bar": sea.high_pa / PA_PER_BAR,
        "words": work_engine_words(sea.middle_pa),
        "basis": [EXPONENTS_BASIS, USUAL_BASIS],
    }


def _reading(one: GaugeReading, trapped: float | None) -> dict[str, Any]:
    at_sea = float(sea_level_gauge_pa(one.gauge_pa, one.air.pressure_pa))
    scale = at_sea / one.gauge_pa if one.gauge_pa else 1.0
    ratios = ratio_for_cranking(one.gauge_pa, EXPONENTS, one.air.pressure_pa)
    found: dict[str, Any] = {
        "reading": one.name,
        "gauge_bar": one.gauge_pa / PA_PER_BAR,
        "gauge_u_bar": one.u_pa / PA_PER_BAR,
        "air_pressure_bar": one.air.pressure_pa / PA_PER_BAR,
        "air_pressure_from": one.air.pressure_from,
        "sea_level_bar": at_sea / PA_PER_BAR,
        "sea_level_u_bar": one.u_pa * scale / PA_PER_BAR,
        "trapped_ratio_low": float(ratios.min()),
        "trapped_ratio_high": float(ratios.max()),
        "implied_exponent": None,
        "words": None,
    }
    if trapped is not None:
        model = cranking_range(trapped, ambient_pa=one.air.pressure_pa)
        found["implied_exponent"] = float(implied_exponent(one.gauge_pa, trapped, one.air.pressure_pa))
        found["words"] = reading_words(one.gauge_pa, model, doubt_pa=one.u_pa)
    return found


def _squish(engine: Engine, rpm: Sequence[float], volumes: dict[str, Any]) -> dict[str, Any] | None:
    width = engine.squish_band_width_mm
    if width is None or volumes["bowl_volume_cm3"] is None or not engine.bore_mm > 2 * width:
        return None
    speeds = []
    for speed in rpm:
        peak = squish_peak(engine, speed)
        through = squish_velocity_at(engine, SQUISH_DEGREES, speed)
        speeds.append(
            {
                "rpm": float(speed),
                "peak_m_per_s": peak.velocity_m_per_s,
                "peak_before_tdc_deg": peak.before_tdc_deg,
                "through": [
                    {"deg": degree, "velocity_m_per_s": float(velocity)}
                    for degree, velocity in zip(SQUISH_DEGREES, through, strict=True)
                ],
            }
        )
    return {
        "area_ratio": float(squish_area_ratio(engine.bore_mm, width)),
        "speeds": speeds,
        "guide_low_m_per_s": VELOCITY_GUIDE_M_PER_S[0],
        "guide_high_m_per_s": VELOCITY_GUIDE_M_PER_S[1],
        "guide_basis": VELOCITY_GUIDE_BASIS,
    }


def _rope(engine: Engine, closing_mm: float, at: Air, starter: Starter) -> dict[str, Any]:
    starts = []
    ranges: list[PullRange] = []
    for bleed in dict.fromkeys((None, starter.bleed)):
        for temperature in COLD_AND_WARM_C:
            weather = replace(
                at, temperature_k=air(temperature_c=temperature).temperature_k, temperature_from="given"
            )
            found = pull_range(
                engine,
                closing_mm,
                air=weather,
                friction=starter.friction,
                pulley_radius_mm=starter.pulley_radius_mm,
                bleed=bleed,
            )
            ranges.append(found)
            starts.append(
                {
                    "temperature_c": temperature,
                    "bleed": bleed is not None,
                    "low": _pull(found.low),
                    "high": _pull(found.high),
                    "words": pull_words((found.low.peak_pull_n + found.high.peak_pull_n) / 2),
                }
            )
    bleed = starter.bleed
    return {
        "pulley_radius_mm": starter.pulley_radius_mm,
        "pulley_assumed": starter.pulley_assumed,
        "bleed": (
            None
            if bleed is None
            else {
                "closes_at_depth_mm": bleed.closes_at_depth_mm,
                "area_mm2": bleed.area_mm2,
                "discharge": bleed.discharge,
                "cranking_rpm": CRANKING_RPM_GUESS,
            }
        ),
        "starts": starts,
        "cold_words": cold_words(*ranges[: len(COLD_AND_WARM_C)]),
        "basis": [
            FRICTION_BASIS,
            EXPONENTS_BASIS,
            *([] if bleed is None or bleed.area_mm2 is None else [BLEED_BASIS]),
            PULL_BASIS,
        ],
    }


def _pull(pull: Pull) -> dict[str, float]:
    return {
        "work_j": pull.work_j,
        "gas_work_j": pull.gas_work_j,
        "friction_work_j": pull.friction_work_j,
        "peak_torque_n_m": pull.peak_torque_n_m,
        "peak_before_tdc_deg": pull.peak_before_tdc_deg,
        "peak_pull_n": pull.peak_pull_n,
        "mean_pull_n": pull.mean_pull_n,
        "rope_mm": pull.rope_mm,
        "gauge_bar": pull.gauge_pa / PA_PER_BAR,
        "charge_c": pull.charge_k - 273.15,
    }
