"""A plan of seven kinds of work, five wishes and ten gaskets; one that can be had and one that cannot.

Run with ``pytest tests/benchmarks/test_plan_speed.py --benchmark-only -s``. Aim: under 2 s.
"""

import pytest

from portmap.crank import Crank
from portmap.engine import Engine, Piston
from portmap.plan_document import plan_document
from portmap.planner import planned
from portmap.port import PortEdges
from portmap.shop import shop_of
from portmap.shopwork import Build
from portmap.wishes import wishes_of

BUILD = Build(
    engine=Engine(
        bore_mm=50.0,
        crank=Crank(stroke_mm=34.0, rod_mm=61.2),
        crown_height_mm=62.0,
        base_gasket_mm=0.4,
        skirt_length_mm=37.0,
        squish_band_height_mm=62.4,
        squish_band_width_mm=7.0,
        head_volume_cm3=7.0,
        base_flange_mm=6.0,
        piston=Piston(crown_thickness_mm=5.0, ring_below_crown_mm=3.0),
    ),
    edges=(
        PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=38.4, floor_mm=27.6),
        PortEdges(id="main", kind="transfer", control="crown", roof_mm=34.1, floor_mm=27.6),
        PortEdges(id="intake", kind="intake", control="skirt", roof_mm=21.0, floor_mm=12.0),
    ),
)
SHOP = shop_of(gaskets_mm=[0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 1.0])
POSSIBLE = (
    "squish 0.5 mm",
    "exhaust opens 98",
    "blowdown at least 20",
    "intake opens 78 ± 1",
    "cranking at most 14 bar",
)
IMPOSSIBLE = (
    "squish 0.5 mm",
    "exhaust opens 98",
    "blowdown at least 35",
    "intake opens 66",
    "cranking at most 9 bar",
)


@pytest.mark.parametrize(
    ("wants", "possible"), [(POSSIBLE, True), (IMPOSSIBLE, False)], ids=["possible", "impossible"]
)
def test_plan_of_seven_works_five_wishes_ten_gaskets(benchmark, wants, possible):
    wishes = wishes_of(wants)
    planned(BUILD, wishes, SHOP)  # loads scipy, once a process

    def work():
        plan = planned(BUILD, wishes, SHOP)
        return plan, plan_document(plan, SHOP)

    plan, document = benchmark.pedantic(work, rounds=3, iterations=1)
    assert plan.possible is possible
    print(f"\n{len(document['recipes'])} recipes, longest of 3 rounds {benchmark.stats.stats.max:.2f} s")
    benchmark.extra_info["longest_s"] = benchmark.stats.stats.max
