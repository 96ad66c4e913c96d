"""Law: the planner misses no recipe that trying every amount would find, and none is better than its first.

Five hundred small made-up engines, each with random wishes, gaskets, tools and steps. Beside the planner
stands a search of the whole grid with its own slider-crank (law of cosines, no offset) and its own
bookkeeping of heights and volumes, which share no code with the library.
"""

import math

import numpy as np
import pytest

from portmap.crank import Crank
from portmap.engine import Engine, Piston
from portmap.planner import planned
from portmap.port import PortEdges
from portmap.shop import Shop
from portmap.shop_limits import usual_limits
from portmap.shopwork import Build
from portmap.wishes import wishes_of

PROBLEMS = 500
EVERY_TIME = 100  # the others are long: ask for them with -m long
EQUAL = 1e-5  # mm and tolerances: what two ways of summing may differ by
EDGE = 2e-6  # of any unit: on a limit is within it
NEAREST = (
    1.02,
    0.05,
)  # the planner takes a ratio's miss along a tangent, so its nearest may be this much worse

ATMOSPHERE_BAR = 1.01325  # ISO 2533, sea level


def opens_deg(depth, stroke, rod):
    """Degrees after TDC at which the piston has gone down by `depth`, from the triangle crank, rod, axis."""
    crank = stroke / 2
    side = rod + crank - depth
    with np.errstate(invalid="ignore"):
        return np.degrees(np.arccos((crank**2 + side**2 - rod**2) / (2 * crank * side)))


def made_up(random):
    """Sizes of an engine, two or three ports."""
    stroke = random.uniform(28, 40)
    sizes = {
        "bore": random.uniform(38, 54),
        "stroke": stroke,
        "rod": stroke * random.uniform(1.6, 2.2),
        "H": random.uniform(58, 64),
        "g": round(random.uniform(0, 0.8), 1),
        "V": random.uniform(4.5, 8.0),
        "width": random.uniform(4, 8),
        "flange": random.uniform(4.2, 6.0),
        "crown": random.uniform(3.1, 5.0),
        "land": random.uniform(1.6, 3.5),
        "L": random.uniform(34, 40),
    }
    sizes["band"] = sizes["H"] - sizes["g"] + random.uniform(0.3, 1.2)
    top = sizes["H"] - sizes["g"]
    sizes["exhaust"] = top - stroke * random.uniform(0.58, 0.70)
    sizes["main"] = top - stroke * random.uniform(0.74, 0.86)
    # an intake that the skirt uncovers 60 to 85 degrees before TDC
    sizes["floor"] = top - sizes["L"] - stroke * random.uniform(0.25, 0.45)
    return sizes


def build_of(sizes):
    engine = Engine(
        bore_mm=sizes["bore"],
        crank=Crank(stroke_mm=sizes["stroke"], rod_mm=sizes["rod"]),
        crown_height_mm=sizes["H"],
        base_gasket_mm=sizes["g"],
        skirt_length_mm=sizes["L"],
        squish_band_height_mm=sizes["band"],
        squish_band_width_mm=sizes["width"],
        head_volume_cm3=sizes["V"],
        base_flange_mm=sizes["flange"],
        piston=Piston(crown_thickness_mm=sizes["crown"], ring_below_crown_mm=sizes["land"]),
    )
    edges = (
        PortEdges(id="exhaust", kind="exhaust", control="crown", roof_mm=sizes["exhaust"]),
        PortEdges(id="main", kind="transfer", control="crown", roof_mm=sizes["main"]),
        PortEdges(id="intake", kind="intake", control="skirt", floor_mm=sizes["floor"]),
    )
    return Build(engine=engine, edges=edges)


WORK = (
    # name, port, tools any of which will do, tier, set-up
    ("cut_base", None, ("lathe",), 2, "base"),
    ("cut_band", None, ("lathe",), 2, "band"),
    ("cut_crown", None, ("lathe",), 2, "piston"),
    ("trim_skirt", None, ("grinder", "files"), 1, "skirt"),
    ("grind_roof", "exhaust", ("grinder",), 1, "bench"),
    ("grind_roof", "main", ("grinder",), 1, "bench"),
    ("grind_floor", "intake", ("grinder",), 1, "bench"),
)


def figures(sizes, gasket, amounts):
    """All figures of the engine after work; `amounts` holds one array for each of `WORK`."""
    base, band, crown, skirt, exhaust, main, floor = amounts
    area = math.pi * sizes["bore"] ** 2 / 4
    ring = math.pi * sizes["width"] * (sizes["bore"] - sizes["width"])
    squish = sizes["band"] - base + band - (sizes["H"] - crown) + gasket
    volume = sizes["V"] + (area * (gasket - sizes["g"] - base + crown) + ring * band) / 1000
    top = sizes["H"] - crown - gasket  # crown edge at TDC above the base face
    depth_e = top - (sizes["exhaust"] - base + exhaust)
    depth_m = top - (sizes["main"] - base + main)
    skirt_depth = top - (sizes["L"] - crown - skirt) - (sizes["floor"] - base - floor)
    turn = (sizes["stroke"], sizes["rod"])
    ratio = 1 + area * depth_e / 1000 / volume
    return {
        "squish": squish,
        "exhaust": opens_deg(depth_e, *turn),
        "main": opens_deg(depth_m, *turn),
        "intake": opens_deg(skirt_depth, *turn),  # before TDC
        "blowdown": opens_deg(depth_m, *turn) - opens_deg(depth_e, *turn),
        "ratio": ratio,
        "cranking": ATMOSPHERE_BAR * (ratio**1.3 - 1),
        "rooms": {
            "strike": squish - 0.2,
            "squish": squish - 0.5,
            "flange": sizes["flange"] - base - 4.0 + 0 * squish,
            "crown": sizes["crown"] - crown - 3.0 + 0 * squish,
            "land": sizes["land"] - crown - 1.5 + 0 * squish,
            "roof e": depth_e,
            "roof m": depth_m,
        },
    }


MOVED_BY = {
    "strike": {"cut_base", "cut_band", "cut_crown"},
    "squish": {"cut_base", "cut_band", "cut_crown"},
    "flange": {"cut_base"},
    "crown": {"cut_crown"},
    "land": {"cut_crown"},
    "roof e": {"cut_base", "cut_crown", "grind_roof exhaust"},
    "roof m": {"cut_base", "cut_crown", "grind_roof main"},
}


def wished(random, sizes):
    """Phrases, and for each the figure with its low, high and tolerance."""
    zero = [np.zeros(1)] * len(WORK)
    now = {
        name: float(value[0]) for name, value in figures(sizes, sizes["g"], zero).items() if name != "rooms"
    }
    kinds = ["squish", "exhaust", "main", "intake", "blowdown", "ratio", "cranking"]
    chosen = random.choice(kinds, size=int(random.integers(1, 5)), replace=False)
    phrases, limits = [], []
    for kind in chosen:
        if kind == "squish":
            aim, wide = round(random.uniform(0.35, 0.9), 2), round(random.uniform(0.03, 0.12), 3)
            phrases.append(f"squish {aim} ± {wide} mm")
            limits.append((kind, aim - wide, aim + wide, wide))
        elif kind in ("exhaust", "main", "intake"):
            shift = {"exhaust": -1.5, "main": -0.5, "intake": 1.0}[kind]
            aim = round(now[kind] + random.normal(shift, 1.5), 1)
            wide = round(random.uniform(0.4, 1.5), 2)
            phrases.append(f"{kind} opens {aim} ± {wide}")
            limits.append((kind, aim - wide, aim + wide, wide))
        elif kind == "blowdown":
            least = round(now[kind] + random.normal(0.5, 1.5), 1)
            phrases.append(f"blowdown at least {least}")
            limits.append((kind, least, math.inf, 0.5))
        elif kind == "ratio":
            most = round(now[kind] + random.normal(0.1, 0.3), 2)
            phrases.append(f"compression ratio at most {most}")
            limits.append((kind, -math.inf, most, 0.1))
        else:
            most = round(now[kind] + random.normal(0.2, 0.6), 1)
            phrases.append(f"cranking at most {most} bar")
            limits.append((kind, -math.inf, most, 0.3))
    return phrases, limits


def key(work):
    return work[0] if work[1] is None else f"{work[0]} {work[1]}"


def tried_all(sizes, gaskets, tools, step, most, limits):
    """Return, for each gasket and set of works, the best rank that meets all wishes; and the least miss."""
    can = [bool(set(work[2]) & set(tools)) for work in WORK]
    named = any(kind == "squish" for kind, *_ in limits)
    grid = np.meshgrid(*[np.arange(most + 1) if able else np.arange(1) for able in can], indexing="ij")
    steps = np.array([axis.ravel() for axis in grid])
    amounts = steps * step
    start = figures(sizes, sizes["g"], [np.zeros(1)] * len(WORK))["rooms"]
    names = [name for name in start if name != "squish" or not named]
    able = {key(work) for work, one in zip(WORK, can, strict=True) if one}
    used = steps > 0
    tier = np.max(np.where(used, np.array([[work[3]] for work in WORK]), 0), axis=0)
    clampings = sorted({work[4] for work in WORK})
    setups = sum(
        np.any(used[[work[4] == clamping for work in WORK]], axis=0).astype(int) for clamping in clampings
    )
    metal = amounts.sum(axis=0)
    signature = (used * (1 << np.arange(len(WORK)))[:, None]).sum(axis=0)
    best: dict[tuple[float, int], tuple] = {}
    least_miss = math.inf
    for gasket in gaskets:
        found = figures(sizes, gasket, amounts)
        rooms = {name: found["rooms"][name] - min(float(start[name][0]), 0.0) for name in names}
        sound = np.all([room >= -EDGE for room in rooms.values()], axis=0)
        touched = [rooms[name] for name in names if MOVED_BY[name] & able]
        margin = np.min(touched, axis=0) if touched else np.full(len(metal), 10.0)
        misses = np.zeros(len(metal))
        met = sound.copy()
        for kind, low, high, tolerance in limits:
            short, over = np.fmax(low - found[kind], 0.0), np.fmax(found[kind] - high, 0.0)
            lost = np.isnan(found[kind])
            met &= ~lost & (found[kind] >= low - EDGE) & (found[kind] <= high + EDGE)
            misses += np.where(lost, np.inf, (short + over) / tolerance)
        if sound.any():
            least_miss = min(least_miss, float(misses[sound].min()))
        for place in np.flatnonzero(met):
            rank = (
                int(tier[place]),
                int(setups[place]),
                round(float(metal[place]), 7),
                -float(margin[place]),
            )
            home = (gasket, int(signature[place]))
            if home not in best or rank < best[home]:
                best[home] = rank
    return best, least_miss


def in_order(best):
    """Return ranks best first, without sets of works that hold a better one's on the same gasket."""
    kept: list[tuple[float, int]] = []
    for home in sorted(best, key=best.__getitem__):
        gasket, works = home
        if not any(other == gasket and fewer & works == fewer for other, fewer in kept):
            kept.append(home)
    return [best[home] for home in kept]


def problem(number):
    random = np.random.default_rng([2026, number])
    sizes = made_up(random)
    tools = [
        ("grinder",),
        ("grinder", "files"),
        ("grinder", "lathe"),
        ("lathe",),
        ("grinder", "lathe", "files"),
    ]
    have = tools[int(random.integers(len(tools)))]
    step = float(random.choice([0.05, 0.1, 0.2, 0.25]))
    most = int(random.integers(2, 4)) if "lathe" in have and len(have) > 1 else int(random.integers(3, 8))
    count = int(random.integers(1, 4))
    gaskets = sorted({sizes["g"], *(round(float(size), 2) for size in random.uniform(0, 1.0, count - 1))})
    phrases, limits = wished(random, sizes)
    return sizes, have, step, most, gaskets, phrases, limits


@pytest.mark.parametrize(
    "number",
    [
        *range(EVERY_TIME),
        *(pytest.param(number, marks=pytest.mark.long) for number in range(EVERY_TIME, PROBLEMS)),
    ],
)
def test_no_better_recipe_is_missed(number):
    sizes, have, step, most, gaskets, phrases, limits = problem(number)
    best, least_miss = tried_all(sizes, gaskets, have, step, most, limits)
    shop = Shop(
        tools=have,
        gaskets_mm=tuple(gaskets),
        steps_mm=dict.fromkeys(("grinder", "lathe", "files"), step),
        limits=usual_limits(),
        most_mm=most * step,
    )
    plan = planned(build_of(sizes), wishes_of(phrases), shop, count=5, odds=False)

    assert plan.possible == bool(best)
    if plan.possible:
        minimal = in_order(best)
        short = [recipe for recipe in plan.recipes if not recipe.more_than_needed]
        assert len(short) == min(5, len(minimal))
        for recipe, rank in zip(short, minimal, strict=False):
            assert all(outcome.miss == 0.0 for outcome in recipe.outcomes)
            tier = max((2 if tool == "lathe" else 1 for tool in recipe.needs), default=0)
            assert (tier, recipe.setups) == rank[:2]
            assert recipe.metal_mm == pytest.approx(rank[2], abs=EQUAL)
        assert len(plan.recipes) == min(5, max(len(short), min(3, sets_of_work(best, limits))))
    elif math.isfinite(least_miss):
        factor, air = NEAREST
        assert plan.recipes[0].weighed_miss <= least_miss * factor + air
        assert plan.recipes[0].weighed_miss >= least_miss - EQUAL
    else:
        assert not plan.recipes or math.isinf(plan.recipes[0].weighed_miss)


# what each figure is moved by; the three cuts also make room under the head or over a roof
MOVES = {
    "squish": (),
    "exhaust": ("grind_roof exhaust",),
    "main": ("grind_roof main",),
    "intake": ("trim_skirt", "grind_floor intake"),
    "blowdown": ("grind_roof exhaust", "grind_roof main"),
    "ratio": ("grind_roof exhaust",),
    "cranking": ("grind_roof exhaust",),
}
ALWAYS = ("cut_base", "cut_band", "cut_crown")


def sets_of_work(best, limits):
    """Return how many recipes there are in all, of work that moves something wanted, where any is needed."""
    useful = {*ALWAYS, *(work for kind, *_ in limits for work in MOVES[kind])}
    idle = sum(1 << place for place, work in enumerate(WORK) if key(work) not in useful)
    nothing = {gasket for gasket, works in best if works == 0}
    return sum(1 for gasket, works in best if works == 0 or (gasket not in nothing and not works & idle))


def test_both_kinds_of_problem_are_tried():
    possible = 0
    for number in range(0, PROBLEMS, 25):
        sizes, have, step, most, gaskets, _, limits = problem(number)
        possible += bool(tried_all(sizes, gaskets, have, step, most, limits)[0])
    assert 4 <= possible <= 16  # of 20


def test_the_plain_crank_agrees_with_a_triangle_worked_by_hand():
    # crank 3, rod 5, square to each other's line at 90 degrees: the piston stands 4 from the axis, 4 down
    assert float(opens_deg(np.float64(4.0), 6.0, 5.0)) == pytest.approx(90.0, abs=1e-9)
