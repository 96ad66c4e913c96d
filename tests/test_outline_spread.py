"""First-order doubts against brute force: outlines really moved by random amounts."""

import numpy as np
import pytest
from shapely.affinity import translate

from portmap.engine import Engine
from portmap.outline_spread import (
    blowdown_u_deg,
    floor_u_mm,
    opening_u_deg,
    roof_u_mm,
    span_u_mm2_deg,
    wall_area_u_mm2,
)
from portmap.port import PortMap, Window, WindowDoubt
from portmap.timearea import map_spans
from portmap.timing import blowdown_deg, port_timing
from tests.gallery import ENGINE, box, port

DRAWS = 400
SCATTER = 4 / np.sqrt(2 * DRAWS)  # four standard deviations of a standard deviation from that many draws


def sure(window: Window, roof: float = 0.01, floor: float = 0.02, area: float = 0.0) -> Window:
    doubt = WindowDoubt(roof_u_mm=roof, floor_u_mm=floor, wall_area_u_mm2=area, edge_u_mm=0.02)
    return Window(outline=window.outline, doubt=doubt)


def exhaust_at(shift: float):
    window = box(-14, 28, 14, 40)
    return port(Window(outline=translate(window.outline, 0, shift)), name="e")


def test_doubt_of_an_opening_is_the_scatter_of_moved_roofs():
    shifts = np.random.default_rng(1).normal(0, 0.01, DRAWS)
    opens = [port_timing(ENGINE, exhaust_at(shift)).openings[0].opens_deg for shift in shifts]
    one = port(sure(box(-14, 28, 14, 40)), name="e")
    assert opening_u_deg(ENGINE, one) == pytest.approx(np.std(opens), rel=SCATTER)


def test_the_skirt_s_doubt_is_that_of_the_floor():
    crown = port(sure(box(-14, 8, 14, 20)), kind="intake", control="skirt")
    blurred = port(sure(box(-14, 8, 14, 20), floor=0.04), kind="intake", control="skirt")
    assert opening_u_deg(ENGINE, blurred) == pytest.approx(2 * opening_u_deg(ENGINE, crown))


def stock(first: Window, second: Window) -> PortMap:
    return PortMap(stage="stock", ports=(port(first, name="e"), port(second, name="t", kind="transfer")))


def test_doubt_of_the_blowdown_is_the_scatter_of_both():
    random = np.random.default_rng(2)
    found = []
    for first, second in random.normal(0, 1, (DRAWS, 2)) * [0.01, 0.03]:
        moved = stock(
            Window(outline=translate(box(-14, 28, 14, 40).outline, 0, first)),
            Window(outline=translate(box(20, 28, 30, 36).outline, 0, second)),
        )
        found.append(blowdown_deg(ENGINE, moved))
    told = stock(sure(box(-14, 28, 14, 40)), sure(box(20, 28, 30, 36), roof=0.03))
    assert blowdown_u_deg(ENGINE, told) == pytest.approx(np.std(found), rel=SCATTER)


def test_doubt_of_an_angle_area_is_the_scatter_of_moved_and_stretched_outlines():
    random = np.random.default_rng(3)
    window = box(-14, 30, 14, 40)
    found = []
    for shift, stretch in random.normal(0, 1, (DRAWS, 2)) * [0.02, 0.004]:
        moved = box(-14 * (1 + stretch), 30 + shift, 14 * (1 + stretch), 40 + shift)
        spans, _ = map_spans(ENGINE, PortMap(stage="stock", ports=(port(moved, name="e"),)))
        found.append(spans[0].angle_area_mm2_deg)
    told = PortMap(
        stage="stock",
        ports=(port(sure(window, roof=0.02, floor=0.02, area=0.004 * window.outline.area), name="e"),),
    )
    (span,), _ = map_spans(ENGINE, told)
    assert span_u_mm2_deg(ENGINE, told, span) == pytest.approx(np.std(found), rel=SCATTER)


def test_the_blowdown_s_area_feels_the_transfer_too():
    alone = stock(sure(box(-14, 28, 14, 40)), sure(box(20, 28, 30, 36), roof=1e-9))
    both = stock(sure(box(-14, 28, 14, 40)), sure(box(20, 28, 30, 36), roof=0.05))
    doubts = []
    for told in (alone, both):
        spans, _ = map_spans(ENGINE, told)
        doubts.append(span_u_mm2_deg(ENGINE, told, spans[1]))
    assert doubts[1] > 1.5 * doubts[0]


def test_windows_of_one_port_add_their_doubts_linearly():
    two = port(sure(box(-14, 28, -1, 40), area=0.2), sure(box(1, 28, 14, 40), area=0.3))
    assert wall_area_u_mm2(two) == pytest.approx(0.5)


@pytest.mark.parametrize("engine", [ENGINE])
def test_what_nobody_said_is_none(engine: Engine):
    bare = port(box(-14, 28, 14, 40), name="e")
    told = PortMap(stage="stock", ports=(bare,))
    (span,), _ = map_spans(engine, told)
    assert roof_u_mm(bare) is None
    assert floor_u_mm(bare) is None
    assert wall_area_u_mm2(bare) is None
    assert opening_u_deg(engine, bare) is None
    assert blowdown_u_deg(engine, told) is None
    assert span_u_mm2_deg(engine, told, span) is None


def test_a_port_that_never_opens_has_no_opening_to_doubt():
    assert opening_u_deg(ENGINE, port(sure(box(-5, 20, 5, 25)))) is None
