"""What it takes to pull an engine through its compression by hand: work, torque and pull at the rope.

The piston rises slowly from exhaust closing to TDC and squeezes the charge along p·Vⁿ = constant; the case
below it stays at the air's pressure. The torque of that pressure and of friction is held by the rope at the
pulley. A flywheel that is already spinning carries the engine over the peak: a brisk pull needs a force
between the mean and the peak that are given here. Nobody knows n or the friction of a given engine, so each
pull is a range.

Glossary
--------
pulley radius
    From the crankshaft's axis to the rope's middle.
bleed
    A way out for the charge while it is squeezed: a hole in the wall above the exhaust, which the piston
    covers in the end, or a valve in the head, which it never covers.
friction pressure
    Friction work of a revolution over swept volume.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.atmosphere import GAS_CONSTANT_J_PER_KG_K, Air
from portmap.crank import angle_of_depth, depth_per_degree, piston_depth
from portmap.cranking import EXPONENTS
from portmap.engine import Engine
from portmap.errors import GeometryError, QuantityError
from portmap.orifice import orifice_flow_kg_per_s
from portmap.volume import bore_slice_cm3, head_volume_cm3, swept_volume_cm3

__all__ = [
    "BLEED_BASIS",
    "CRANKING_RPM_GUESS",
    "FRICTION_BASIS",
    "PULLEY_RADIUS_GUESS_MM",
    "Bleed",
    "Friction",
    "Pull",
    "PullRange",
    "compression_pull",
    "friction_pressures_pa",
    "pull_range",
]

Floats = NDArray[np.float64]

PULLEY_RADIUS_GUESS_MM = 30.0  # common practice, no source
CRANKING_RPM_GUESS = 500.0  # while a hand pulls; common practice, no source
BLEED_BASIS = (
    "a hole or valve of a given size leaks while the crank turns at 500 rpm, 0.7 of the ideal flow passing;"
    " assumed, common practice, no source"
)

FRICTION_BASIS = (
    "friction of 30 to 50 kPa of mean pressure at 20 °C, two to three times as much at −30 °C;"
    " assumed, common practice, no source"
)

STEPS = 4000  # from exhaust closing to TDC: 0.03°, at which the peak is sure to a millionth
PA_CM3_PER_J = 1e6


@dataclass(frozen=True, kw_only=True, slots=True)
class Bleed:
    """A hole or valve that lets the charge out while it is squeezed.

    Parameters
    ----------
    closes_at_depth_mm : float, optional
        Piston depth at which the crown edge covers it [mm]; 0 for a valve in the head.
    area_mm2 : float or None, optional
        Its area [mm²]; None for one so large that squeezing only begins where it is covered.
    discharge : float, optional
        Share of the ideal flow that passes; 0.7 is common practice, no source [-].

    Raises
    ------
    GeometryError
        If depth or area is below 0, or the share not above 0 and up to 1.
    """

    closes_at_depth_mm: float = 0.0
    area_mm2: float | None = None
    discharge: float = 0.7

    def __post_init__(self) -> None:
        """Refuse what is no hole."""
        if not 0 <= self.closes_at_depth_mm < np.inf:
            raise GeometryError(
                f"{self.closes_at_depth_mm:g} mm is not a depth below the crown",
                where="bleed",
                remedy="give 0 for a valve in the head",
            )
        if self.area_mm2 is not None and not 0 <= self.area_mm2 < np.inf:
            raise GeometryError(f"{self.area_mm2:g} mm² is not an area", where="bleed", remedy="measure it")
        if not 0 < self.discharge <= 1:
            raise GeometryError(
                f"{self.discharge:g} is not a share of the ideal flow",
                where="bleed",
                remedy="give one above 0, up to 1",
            )


@dataclass(frozen=True, kw_only=True, slots=True)
class Friction:
    """How much an engine rubs when turned by hand; all of it assumed.

    Parameters
    ----------
    pressure_at_20c_pa : tuple of float, optional
        Least and greatest friction pressure at 20 °C [Pa].
    cold_factor : tuple of float, optional
        Times as much at −30 °C, least and greatest [-].
    """

    pressure_at_20c_pa: tuple[float, float] = (30e3, 50e3)
    cold_factor: tuple[float, float] = (2.0, 3.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Pull:
    """One pull through the compression.

    Parameters
    ----------
    gas_work_j : float
        Done on the charge from exhaust closing to TDC, less what the air outside does on the piston [J].
    friction_work_j : float
        Rubbed away over the same arc [J].
    peak_torque_n_m : float
        Greatest torque at the crankshaft, friction included [N·m].
    peak_before_tdc_deg : float
        Where that falls [deg before true TDC].
    peak_pull_n, mean_pull_n : float
        At the rope: the greatest, and the mean over the arc [N].
    rope_mm : float
        Drawn over the arc [mm].
    gauge_pa : float
        Pressure at TDC above the air's [Pa].
    charge_k : float
        Temperature of the charge at TDC [K].
    """

    gas_work_j: float
    friction_work_j: float
    peak_torque_n_m: float
    peak_before_tdc_deg: float
    peak_pull_n: float
    mean_pull_n: float
    rope_mm: float
    gauge_pa: float
    charge_k: float

    @property
    def work_j(self) -> float:
        """Return the whole work at the rope [J]."""
        return self.gas_work_j + self.friction_work_j


@dataclass(frozen=True, kw_only=True, slots=True)
class PullRange:
    """The same pull with everything unknown at its least and at its greatest.

    Parameters
    ----------
    low, high : Pull
        At the least exponent and friction, and at the greatest.
    """

    low: Pull
    high: Pull


def friction_pressures_pa(friction: Friction, temperature_c: float) -> tuple[float, float]:
    """Return the range of friction pressure at a temperature.

    A straight line of its logarithm through 20 and −30 °C.

    Parameters
    ----------
    friction : Friction
    temperature_c : float
        Of the engine, which stands in the open [°C].

    Returns
    -------
    tuple of float
        Least and greatest [Pa].

    References
    ----------
    .. [1] Assumed; common practice, no source.

    Examples
    --------
    >>> friction_pressures_pa(Friction(), -30.0)
    (60000.0, 150000.0)
    """
    steps = (20.0 - temperature_c) / 50.0
    low, high = (
        float(pressure * factor**steps)
        for pressure, factor in zip(friction.pressure_at_20c_pa, friction.cold_factor, strict=True)
    )
    return min(low, high), max(low, high)  # above 20 °C the larger factor makes less of it


def compression_pull(
    engine: Engine,
    closing_depth_mm: float,
    *,
    air: Air,
    exponent: float,
    friction_pa: float,
    pulley_radius_mm: float = PULLEY_RADIUS_GUESS_MM,
    bleed: Bleed | None = None,
    cranking_rpm: float = CRANKING_RPM_GUESS,
) -> Pull:
    """Return what it takes to pull the engine from exhaust closing to TDC.

    Torque = (p − p_air)·A·|dz/dθ| + p_friction·V_swept/2π.

    Parameters
    ----------
    engine : Engine
        With a head volume.
    closing_depth_mm : float
        Piston depth at exhaust closing: `portmap.volume.exhaust_closing_depth_mm` [mm].
    air : Air
        Pressure and temperature that the charge begins with.
    exponent : float
        Of the squeezing [-].
    friction_pa : float
        Friction pressure: `friction_pressures_pa` [Pa].
    pulley_radius_mm : float, optional
        To the rope's middle [mm].
    bleed : Bleed or None, optional
    cranking_rpm : float, optional
        Crank speed, which only matters for a bleed of a given area [rev/min].

    Returns
    -------
    Pull

    Raises
    ------
    GeometryError
        If the head's volume is not known, or depth or radius makes no sense.
    QuantityError
        If exponent, friction or speed makes no sense.

    References
    ----------
    .. [1] Work of a polytropic change; any text on thermodynamics. Torque by the principle of virtual work.

    Examples
    --------
    >>> from portmap.atmosphere import air
    >>> from portmap.crank import Crank
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> engine = Engine(bore_mm=46, crank=crank, crown_height_mm=61, head_volume_cm3=6.1)
    >>> found = compression_pull(engine, 20.6, air=air(temperature_c=20), exponent=1.25, friction_pa=4e4)
    >>> round(found.work_j, 1), round(found.peak_pull_n)
    (7.0, 264)
    """
    _check(closing_depth_mm, exponent, friction_pa, pulley_radius_mm, cranking_rpm)
    head = head_volume_cm3(engine)
    start = float(angle_of_depth(engine.crank, closing_depth_mm, rising=True))
    if np.isnan(start):
        raise GeometryError(
            f"the piston never stands {closing_depth_mm:g} mm below TDC",
            where="exhaust closing",
            remedy="check the exhaust roof's height",
        )
    angles = np.linspace(start, 360.0, STEPS + 1)
    volumes = head + bore_slice_cm3(engine.bore_mm, piston_depth(engine.crank, angles))
    pressures = _pressures(engine, angles, volumes, air, exponent, bleed, cranking_rpm)
    per_radian_mm = -depth_per_degree(engine.crank, angles) * 180 / np.pi
    area_mm2 = np.pi / 4 * engine.bore_mm**2
    gas_torque = (pressures - air.pressure_pa) * area_mm2 * per_radian_mm * 1e-9
    rubbing = friction_pa * swept_volume_cm3(engine) / PA_CM3_PER_J / (2 * np.pi)
    arc = np.radians(360.0 - start)
    gas_work = float(np.trapezoid(gas_torque, np.radians(angles)))
    peak = int(np.argmax(gas_torque))
    torque = float(gas_torque[peak]) + rubbing
    radius_m = pulley_radius_mm / 1000
    return Pull(
        gas_work_j=gas_work,
        friction_work_j=float(rubbing * arc),
        peak_torque_n_m=torque,
        peak_before_tdc_deg=float(360.0 - angles[peak]),
        peak_pull_n=torque / radius_m,
        mean_pull_n=float((gas_work / arc + rubbing) / radius_m),
        rope_mm=float(pulley_radius_mm * arc),
        gauge_pa=float(pressures[-1] - air.pressure_pa),
        charge_k=float(_temperature(pressures[-1], air, exponent)),
    )


def pull_range(
    engine: Engine,
    closing_depth_mm: float,
    *,
    air: Air,
    friction: Friction | None = None,
    exponents: tuple[float, float] = EXPONENTS,
    pulley_radius_mm: float = PULLEY_RADIUS_GUESS_MM,
    bleed: Bleed | None = None,
    cranking_rpm: float = CRANKING_RPM_GUESS,
) -> PullRange:
    """Return the range of pulls that the unknown exponent and friction allow.

    Parameters
    ----------
    engine, closing_depth_mm, air
        As in `compression_pull`; the engine is as cold as the air.
    friction : Friction or None, optional
        None for the assumed one.
    exponents : tuple of float, optional
        Least and greatest exponent [-].
    pulley_radius_mm, bleed, cranking_rpm
        As in `compression_pull`.

    Returns
    -------
    PullRange

    Raises
    ------
    GeometryError, QuantityError
        As `compression_pull`.

    Examples
    --------
    >>> from portmap.atmosphere import air
    >>> from portmap.crank import Crank
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> engine = Engine(bore_mm=46, crank=crank, crown_height_mm=61, head_volume_cm3=6.1)
    >>> found = pull_range(engine, 20.6, air=air(temperature_c=-30))
    >>> round(found.low.peak_pull_n), round(found.high.peak_pull_n)
    (248, 318)
    """
    rubbing = friction_pressures_pa(friction or Friction(), air.temperature_c)
    low, high = (
        compression_pull(
            engine,
            closing_depth_mm,
            air=air,
            exponent=exponent,
            friction_pa=friction_pa,
            pulley_radius_mm=pulley_radius_mm,
            bleed=bleed,
            cranking_rpm=cranking_rpm,
        )
        for exponent, friction_pa in zip(exponents, rubbing, strict=True)
    )
    return PullRange(low=low, high=high)


def _pressures(
    engine: Engine,
    angles: Floats,
    volumes: Floats,
    air: Air,
    exponent: float,
    bleed: Bleed | None,
    cranking_rpm: float,
) -> Floats:
    """Return the absolute pressure of the charge at each angle [Pa]."""
    if bleed is None or bleed.area_mm2 == 0:
        return np.asarray(air.pressure_pa * (volumes[0] / volumes) ** exponent)
    covered = angles[-1] if bleed.closes_at_depth_mm == 0 else angles[0]
    if bleed.closes_at_depth_mm > 0:
        found = angle_of_depth(engine.crank, bleed.closes_at_depth_mm, rising=True)
        covered = max(float(angles[0]), float(np.nan_to_num(found, nan=angles[0])))
    head = head_volume_cm3(engine)
    closed_volume = head + float(bore_slice_cm3(engine.bore_mm, piston_depth(engine.crank, covered)))
    pressures = np.full_like(angles, air.pressure_pa)
    is_open = angles <= covered
    at_covering = air.pressure_pa
    if bleed.area_mm2 is not None and covered > angles[0]:
        leaking = _leaking(engine, angles[is_open], covered, air, exponent, bleed, cranking_rpm)
        pressures[is_open], at_covering = leaking[:-1], float(leaking[-1])
    shut = ~is_open
    pressures[shut] = at_covering * (closed_volume / volumes[shut]) ** exponent
    return pressures


def _leaking(
    engine: Engine,
    angles: Floats,
    covered_deg: float,
    air: Air,
    exponent: float,
    bleed: Bleed,
    cranking_rpm: float,
) -> Floats:
    """Return the pressures at the angles and at the covering, while the charge blows out [Pa].

    dp/p = n·(dm/m − dV/V), with the mass that the hole lets out.
    """
    from scipy.integrate import solve_ivp

    head, area_cm3_per_mm = head_volume_cm3(engine), float(bore_slice_cm3(engine.bore_mm, 1.0))

    def change(angle: float, log_pressure: Floats) -> Floats:
        pressure = np.exp(log_pressure) * air.pressure_pa
        warmth = _temperature(pressure, air, exponent)
        volume = head + area_cm3_per_mm * piston_depth(engine.crank, angle)
        mass = pressure * volume / PA_CM3_PER_J / (GAS_CONSTANT_J_PER_KG_K * warmth)
        lost = orifice_flow_kg_per_s(
            bleed.area_mm2 or 0.0, pressure, warmth, air.pressure_pa, discharge=bleed.discharge
        ) / (6 * cranking_rpm)
        growth = area_cm3_per_mm * depth_per_degree(engine.crank, angle)
        return np.asarray(-exponent * (lost / mass + growth / volume))

    wanted = np.append(angles, covered_deg)
    solved = solve_ivp(
        change,
        (angles[0], covered_deg),
        [0.0],
        method="LSODA",
        t_eval=np.unique(wanted),
        rtol=1e-8,
        atol=1e-10,
    )
    return np.asarray(air.pressure_pa * np.exp(np.interp(wanted, solved.t, solved.y[0])))


def _temperature(pressure_pa: Floats, air: Air, exponent: float) -> Floats:
    return np.asarray(air.temperature_k * (pressure_pa / air.pressure_pa) ** ((exponent - 1) / exponent))


def _check(
    closing_depth_mm: float, exponent: float, friction_pa: float, pulley_radius_mm: float, cranking_rpm: float
) -> None:
    if not closing_depth_mm > 0:
        raise GeometryError(
            f"an exhaust that closes {closing_depth_mm:g} mm below TDC squeezes nothing",
            where="exhaust closing",
            remedy="check the exhaust roof's height",
        )
    if not 0 < pulley_radius_mm < np.inf:
        raise GeometryError(
            f"{pulley_radius_mm:g} mm is not a pulley's radius",
            where="pulley",
            remedy="measure from the crankshaft's axis to the rope's middle",
        )
    for name, value, least in (
        ("exponent", exponent, 1.0),
        ("friction", friction_pa, 0.0),
        ("cranking speed", cranking_rpm, 1e-6),
    ):
        if not least <= value < np.inf:
            raise QuantityError(
                f"{value:g} is less than {least:g}", where=name, remedy="give a larger number"
            )
