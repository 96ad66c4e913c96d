"""Laws of proposed edges.

A new window holds the old one. A raised roof never lowers the exhaust's time-area, and neither does a lower
floor. To mirror and then edit is to edit and then mirror. A window turned round the bore is edited as where
it stood. Edits taken back one by one leave the job byte for byte as it was, and the same edits always make
the same map. Whatever stands in a job's edits, the reader takes them or names their faults.
"""

import json
import math
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from portmap.errors import GeometryError, JobError, PortmapError
from portmap.files import json_bytes
from portmap.job import job_of
from portmap.port import Port, PortMap, Window, mirrored_window, turned_window
from portmap.roof import RoofEdit, edited_map, edited_window, metal_to_take
from portmap.roof_job import edits_of, with_edits
from portmap.roof_wish import RoofWish, height_that_opens, wished_edit
from portmap.timearea import angle_area
from portmap.timing import port_timing
from tests.sample_job import sample
from tests.strategies import engines, windows

BORE_MM = 60.0  # the strategies' windows all fit round it
LEAST_RADIUS_MM = 1e-3  # nobody grinds a smaller one; below a nanometre arcs end in rounding
ROUNDING_MM2 = 1e-9
SMOOTH_MM2 = 1e-7  # arcs cut a mirrored outline at places that differ in the last digits


@st.composite
def edits(draw: st.DrawFn, window: Window) -> RoofEdit:
    """An edit that asks for metal to be taken, of any family and edge; it may still be refused."""
    left, floor, right, roof = window.outline.bounds
    edge = draw(st.sampled_from(["roof", "floor", "sides"]))
    by = draw(st.floats(0.05, 3.0))
    if edge == "sides":
        family = draw(st.sampled_from(["moved", "flat"]))
        return RoofEdit(port="p", edge=edge, family=family, width_mm=right - left + by)
    height = roof + by if edge == "roof" else floor - by
    family = draw(st.sampled_from(["moved", "flat", "arched", "blended"]))
    shape = {}
    if family == "arched":
        shape["rise_mm"] = draw(st.floats(0.01, 0.2)) * (right - left)
    elif family == "blended":
        shape["drop_mm"] = draw(st.sampled_from([-1, 1])) * draw(st.floats(0.05, 1.5))
    if family != "moved":
        shape["radius_mm"] = draw(st.just(0.0) | st.floats(LEAST_RADIUS_MM, 0.05 * (right - left)))
    return RoofEdit(port="p", edge=edge, family=family, height_mm=height, **shape)


def made(window: Window, edit: RoofEdit) -> Window:
    """The edited window; a refusal is no case for these laws."""
    try:
        return edited_window(window, edit, BORE_MM)
    except GeometryError:
        assume(False)
        raise


@settings(deadline=None)
@given(st.data(), windows())
def test_the_new_window_holds_the_old_one(data, window):
    new = made(window, data.draw(edits(window)))
    assert new.outline.is_valid
    assert window.outline.difference(new.outline).area <= ROUNDING_MM2
    gained = new.outline.area - window.outline.area
    assert metal_to_take(window, new).area == pytest.approx(gained, abs=1e-4)  # specks left out


@settings(deadline=None)
@given(st.data(), windows())
def test_mirror_then_edit_is_edit_then_mirror(data, window):
    edit = data.draw(edits(window))
    one = mirrored_window(made(window, edit))
    other = made(mirrored_window(window), edit)
    assert one.outline.symmetric_difference(other.outline).area <= SMOOTH_MM2


@settings(deadline=None)
@given(st.data(), windows(), st.integers(-2, 2))
def test_a_whole_turn_round_the_bore_changes_nothing(data, window, turns):
    edit, shift = data.draw(edits(window)), turns * math.pi * BORE_MM
    there = made(turned_window(window, shift), edit)
    back = turned_window(there, -shift)
    assert back.outline.symmetric_difference(made(window, edit).outline).area <= SMOOTH_MM2


@settings(deadline=None)
@given(st.data(), engines(), windows())
def test_an_edit_never_lowers_the_exhaust_time_area(data, engine, window):
    engine = replace(engine, bore_mm=BORE_MM)
    old = Port(id="p", kind="exhaust", control="crown", windows=(window,))
    new = replace(old, windows=(made(window, data.draw(edits(window))),))
    amounts = [angle_area(engine, port, 0, 360) for port in (old, new)]
    assert amounts[1] >= amounts[0] * (1 - 1e-12) - 1e-9


@settings(deadline=None)
@given(engines(), windows(), st.floats(0.1, 4.0))
def test_a_roof_for_a_degree_opens_at_it(engine, window, earlier):
    engine = replace(engine, bore_mm=BORE_MM)
    port = Port(id="p", kind="exhaust", control="crown", windows=(window,))
    openings = port_timing(engine, port).openings
    assume(openings and openings[0].opens_deg > earlier + 1)
    wanted = openings[0].opens_deg - earlier
    draft = RoofEdit(port="p", family="flat", height_mm=height_that_opens(engine, port, wanted))
    stock = PortMap(stage="stock", ports=(port,))
    edit = wished_edit(engine, stock, draft, RoofWish(kind="opens", value=wanted))
    new, _ = edited_map(stock, edit, BORE_MM)
    assert port_timing(engine, new.ports[0]).openings[0].opens_deg == pytest.approx(wanted, abs=1e-6)


@st.composite
def job_edits(draw: st.DrawFn) -> list[RoofEdit]:
    found = []
    for _ in range(draw(st.integers(1, 4))):
        port = draw(st.sampled_from(["exhaust", "main", "intake"]))
        edge = draw(st.sampled_from(["roof", "floor"]))
        windows = draw(st.sampled_from([(), (0,)]))
        by = draw(st.floats(0.01, 0.6))
        found.append(RoofEdit(port=port, windows=windows, edge=edge, by_mm=by, wish="as drawn"))
    return found


@settings(deadline=None, max_examples=15)
@given(job_edits())
def test_edits_taken_back_leave_the_job_byte_for_byte(steps):
    files = [json_bytes(sample())]
    for count in range(1, len(steps) + 1):
        try:
            files.append(json_bytes(with_edits(json.loads(files[-1]), tuple(steps[:count]))))
        except PortmapError:  # the intake has little room below
            steps = steps[: count - 1]
            break
    assert json_bytes(with_edits(sample(), tuple(steps))) == files[-1]
    for count in range(len(steps) - 1, -1, -1):
        back = json_bytes(with_edits(json.loads(files[count + 1]), tuple(steps[:count])))
        assert back == files[count]


ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.floats(),
    st.integers(-3, 10**12),
    st.sampled_from(["exhaust", "main", "roof", "floor", "sides", "flat", "arched", "blended", "moved", ""]),
    st.lists(st.one_of(st.integers(-2, 5), st.text(max_size=3)), max_size=3),
    st.dictionaries(st.text(max_size=3), st.integers(), max_size=2),
)
FIELDS = [
    "port",
    "windows",
    "edge",
    "family",
    "by_mm",
    "height_mm",
    "rise_mm",
    "radius_mm",
    "drop_mm",
    "step_mm",
    "width_mm",
    "as_one",
    "wish",
    "hight",
]


@settings(deadline=None)
@given(
    st.lists(st.one_of(ODD, st.dictionaries(st.sampled_from(FIELDS), ODD, max_size=6)), max_size=3),
    st.booleans(),
)
def test_odd_edits_are_taken_or_their_faults_named(entries, sound_start):
    plain = [
        {"port": "main", "by_mm": 0.2, **entry} if sound_start and isinstance(entry, dict) else entry
        for entry in entries
    ]
    faults: tuple[PortmapError, ...] = ()
    job = None
    try:
        job = job_of({**sample(), "edits": plain})
    except JobError as error:
        faults = error.faults
    assert all(fault.where.startswith("edits") for fault in faults)
    assert (job is None) == bool(faults)
    for edit in () if job is None else edits_of(job):
        assert edit.port in ("exhaust", "main", "intake")
