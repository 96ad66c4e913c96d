"""A cylinder that stands still, with a hole in it: the gas model's own code on cases with a closed form."""

import numpy as np

from portmap.gas_case import gas_case_of
from portmap.gas_grid import Grid
from portmap.gas_rates import CYL_FRESH, CYL_J, CYL_KG, place_of
from portmap.gasflow import cycled, places_of

R_AIR = 287.05287  # J/(kg·K), ISO 2533 (from memory)
QUIET = {"heat_j_per_kg": 0.0, "heat_loss": 0.0, "discharge_exhaust": 1.0, "gamma": 1.4}


def vessel(area_mm2, litres, steps=400, surface_m2=0.0):
    """A cylinder that does not move, with a hole to the exhaust."""
    deg = np.linspace(0, 360, 2 * steps + 1)
    still = np.zeros_like(deg)
    volume = np.full_like(deg, litres * 1e-3)
    return Grid(
        deg=deg,
        intake_mm2=still,
        transfer_mm2=still,
        exhaust_mm2=np.full_like(deg, area_mm2),
        cylinder_m3=volume,
        case_m3=volume,
        slope_m3_per_deg=still,
        surface_m2=still + surface_m2,
        stroke_m=0.03,
        swept_m3=1e-4,
        transfer_opens_deg=None,
        reed=None,
    )


def run(grid, inputs, pressure_pa, kelvin):
    """One turn from a given state of the cylinder; returns its pressures and temperatures at the nodes."""
    case = gas_case_of(inputs, grid)
    start = np.zeros((6, 1))
    for kg, joule, volume in ((0, 1, grid.case_m3[0]), (CYL_KG, CYL_J, grid.cylinder_m3[0])):
        start[kg] = pressure_pa * volume / (R_AIR * kelvin)
        start[joule] = start[kg] * case.cv * kelvin
    start[2], start[CYL_FRESH] = start[0], start[CYL_KG]
    traces, _ = cycled(grid, case, start, places_of(grid))
    warmth = traces[:, CYL_J, 0] / (traces[:, CYL_KG, 0] * case.cv[0])
    return traces[:, CYL_KG, 0] * R_AIR * warmth / grid.cylinder_m3[::2], warmth


def place_at(fine):
    """Any angle of the crank as the equations take it, between the close ones of a grid."""
    columns = np.stack(
        [
            fine.intake_mm2,
            fine.transfer_mm2,
            fine.exhaust_mm2,
            fine.case_m3,
            fine.cylinder_m3,
            fine.slope_m3_per_deg,
            fine.surface_m2,
        ]
    )

    def at(deg):
        here = min(max(int(np.searchsorted(fine.deg, deg, side="right")) - 1, 0), len(fine.deg) - 2)
        share = (deg - fine.deg[here]) / (fine.deg[here + 1] - fine.deg[here])
        found = columns[:, here] + share * (columns[:, here + 1] - columns[:, here])
        return place_of(deg, found[:3], found[3:5], found[5], found[6])

    return at
