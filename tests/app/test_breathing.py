"""The part of Decide about time enough at speed: guides with their sources, the gas model with its doubt."""

import copy
from dataclasses import replace

import numpy as np
import pytest

from portmap.breath import assumed_case_cm3, breath_document, breath_notices, engine_with_case
from portmap.gas_assumptions import STATED, assumptions
from portmap.gas_rows import (
    breath_beside,
    change_lines,
    guide_source,
    guides_beside,
    limit_lines,
    short_first_words,
    speeds_beside,
    switched_off_lines,
)
from portmap.guide import guide_document
from portmap.job import engine_of, job_of, port_map_of
from portmap.shown import unit_system
from portmap.window import opened_area
from tests.app.opened import cells, job_file, opened_page, said, tables
from tests.cylinders import job_document, proposed, stock
from tests.sample_job import sample

from portmap.app.breath_plot import breath_figure  # isort: skip
from portmap.app.deciding import breathing  # isort: skip

INCH_MM = 25.4  # international yard and pound agreement, 1959
INCH2_MM2 = INCH_MM**2
PSI_BAR = 0.0689475729  # NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa
RUN_S = 240  # of a page that runs the gas model on a busy machine


ROTARY = {"kind": "rotary", "opened_deg_mm2": [[55, 250], [75, 0], [215, 0], [240, 250]]}
REED = {"kind": "reed", "opened_bar_mm2": [[0, 0], [0.08, 160], [0.2, 200], [0.5, 200]]}


def two_stages(**engine):
    document = job_document(stock(), proposed())
    document["engine"] |= {"head_volume_cm3": 6.1, "case_volume_cm3": 190.0, **engine}
    return job_of(document)


def part(folder, *, job=None, units="mm"):
    at = opened_page("decide", folder, job=job_file(folder, job), units=units)
    at.segmented_control(key="decide part").set_value("breath").run()
    assert not at.exception
    return at


def test_without_outlines_it_says_what_to_do(tmp_path):
    document = sample()
    port = {"id": "e", "kind": "exhaust", "control": "crown", "roof_mm": 40.0, "floor_mm": 28.0}
    document |= {"maps": [], "edges": [port]}
    assert "trace them on the page Picture" in said(part(tmp_path, job=job_of(document)).info)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_guides_are_the_librarys_with_source_and_status(tmp_path, units):
    at = part(tmp_path, units=units)
    job = job_of(sample())
    found = guide_document(engine_of(job), port_map_of(job), [9000.0])
    beside, speeds = map(cells, tables(at))
    assert beside == guides_beside({"stock": found})
    assert speeds == speeds_beside({"stock": found})
    shown = said(at.markdown)
    for entry in found["speeds"][0]["guides"]:
        assert guide_source(entry) in shown
    assert "no permission and no target" in shown
    assert "not checked with the page" in shown
    assert short_first_words(found) in shown
    off = switched_off_lines(found)
    assert len(off) > 1
    for line in off:
        assert line in shown
        assert "from memory, unverified" in line
    assert "the engine is not held beside them" in shown


def test_a_case_that_nobody_measured_is_asked_for(tmp_path):
    at = part(tmp_path)
    assert "Nobody measured the case" in said(at.info)
    assert "150" in at.checkbox(key="decide breath assume").label
    assert not [each for each in at.button if each.key == "decide breath go"]
    assert "no power is promised" in said(at.warning)


def test_a_speed_that_is_none_is_said(tmp_path):
    at = part(tmp_path)
    at.text_input(key="decide breath rpm").set_value("0").run()
    assert not at.exception
    assert at.error


@pytest.fixture(scope="module")
def worked_out():
    """Two stages by the library, as the page asks for them."""
    job = two_stages()
    maps = {stage: port_map_of(job, stage) for stage in ("stock", "proposed")}
    speeds = [9000.0, 11000.0]
    return job, maps, *breath_document(engine_of(job), maps, speeds, draws=10, drawn_rpm=speeds)


@pytest.fixture
def asked(worked_out, monkeypatch):
    """What the page asks of the model, which answers with what was worked out."""
    _, _, document, breaths = worked_out
    calls = []

    def known(engine, stages, speeds, **told):
        told.pop("done")(0.5)
        calls.append((list(stages), speeds, told))
        return dict(document), breaths

    monkeypatch.setattr(breathing, "breath_document", known)
    return calls


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_models_figures_are_the_librarys(tmp_path, worked_out, asked, units):
    job, _, document, _ = worked_out
    at = part(tmp_path, job=job, units=units)
    assert "Not worked out yet" in said(at.caption)
    at.text_input(key="decide breath rpm").set_value("9000, 11000").run()
    at.button(key="decide breath go").click().run()
    assert not at.exception
    ((stages, speeds, told),) = asked
    assert (stages, speeds) == (["stock", "proposed"], (9000.0, 11000.0))
    assert told == {
        "case_range_cm3": None,  # it was measured
        "pipe_bore_mm": None,
        "among": assumptions(),
        "draws": 100,
        "drawn_rpm": (9000.0, 11000.0),
    }
    system = unit_system(units)
    shown = [cells(table) for table in tables(at)]
    assert breath_beside(document, 0, system) in shown
    for line in (*change_lines(document, system), *limit_lines(document)):
        assert line in said(at.markdown)
    assert "The exhaust blows into a muffler whose pressure stays" in said(at.caption)
    assert "10 draws at each speed" in said(at.caption)
    assert any(document["assumptions"][0]["basis"] in row for table in shown for row in table)
    assert "no power is promised" in said(at.warning)
    at.segmented_control(key="decide breath which").set_value(1).run()
    second = breath_beside(document, 1, system)
    assert second in [cells(table) for table in tables(at)]
    assert all("±" in cell for cell in second[0][1:])  # every speed has its doubt
    assert len(asked) == 1  # what was worked out is kept
    at.text_input(key="decide breath rpm").set_value("8000").run()
    assert "Not worked out yet" in said(at.caption)


@pytest.mark.parametrize(
    ("units", "bore_mm", "said_bore"), [("mm", 25.0, "25.00 mm"), ("inch", 25 * INCH_MM, "")]
)
def test_a_pipe_and_a_stated_figure_go_to_the_model(tmp_path, worked_out, asked, units, bore_mm, said_bore):
    job, *_ = worked_out
    at = part(tmp_path, job=job, units=units)
    at.text_input(key="decide breath pipe").set_value("25").run()
    offered = at.multiselect(key="decide breath lean").options
    assert len(set(offered)) == len(assumptions())  # by names short enough for a phone
    at.multiselect(key="decide breath lean").set_value(["displacement", "exhaust_k"]).run()
    at.text_input(key="decide breath lean displacement").set_value("0,2 to 0.6").run()
    at.button(key="decide breath go").click().run()
    assert not at.exception
    told = asked[0][2]
    assert told["pipe_bore_mm"] == pytest.approx(bore_mm, rel=1e-12)
    stated = [one for one in told["among"] if one.basis == STATED]
    assert [(one.key, one.least, one.most) for one in stated] == [("displacement", 0.2, 0.6)]
    shown = said(at.caption)
    assert said_bore in shown
    assert f"Stated by you: {stated[0].what} 0.4 (0.2 to 0.6)." in shown
    at.text_input(key="decide breath pipe").set_value("").run()
    assert "Not worked out yet" in said(at.caption)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("1.3", "1.3 makes no sense"),
        ("plenty", "'plenty' is not a number"),
        ("0.8 to 0.6", "runs from 0.8 down to 0.6"),
        ("about a half or so", "does not state a figure"),
    ],
)
def test_a_stated_figure_that_makes_no_sense_is_said_in_the_pages_words(tmp_path, text, fault):
    at = part(tmp_path, job=two_stages())
    at.multiselect(key="decide breath lean").set_value(["discharge_exhaust"]).run()
    at.text_input(key="decide breath lean discharge_exhaust").set_value(text).run()
    assert not at.exception
    words = said(at.error)
    assert "discharge coefficient of the exhaust: " in words
    assert fault in words
    assert "within 0.05 to 1." in words
    assert "=" not in words  # of the command line
    assert not [each for each in at.button if each.key == "decide breath go"]


@pytest.mark.parametrize("text", ["-3", "wide"])
def test_a_pipe_that_is_none_is_said(tmp_path, text):
    at = part(tmp_path, job=two_stages())
    at.text_input(key="decide breath pipe").set_value(text).run()
    assert not at.exception
    assert "Bore of a plain exhaust pipe" in said(at.error)


@pytest.mark.parametrize(
    ("intake", "units", "words"),
    [
        (ROTARY, "mm", "rotary valve, 250.0 mm² at its widest"),
        (ROTARY, "inch", f"rotary valve, {250 / INCH2_MM2:.4f} in² at its widest"),
        (REED, "mm", "reed, 200.0 mm² on its stop, where it lies from 0.20 bar"),
        (
            REED,
            "inch",
            f"reed, {200 / INCH2_MM2:.4f} in² on its stop, where it lies from {0.2 / PSI_BAR:.1f} psi",
        ),
    ],
    ids=["rotary, mm", "rotary, inch", "reed, mm", "reed, inch"],
)
def test_the_jobs_valve_is_named_and_what_it_leaves_out(tmp_path, asked, intake, units, words):
    job = two_stages(intake=intake)
    at = part(tmp_path, job=job, units=units)
    assert words in said(at.markdown)
    at.button(key="decide breath go").click().run()
    assert not at.exception
    maps = {stage: port_map_of(job, stage) for stage in ("stock", "proposed")}
    (notice,) = breath_notices(engine_of(job), maps)
    assert notice.message in said(at.warning)


@pytest.mark.parametrize(("u_bar", "unsure"), [(0.6, True), (0.4, False)])
def test_a_blowdown_within_its_doubt_may_be_either(tmp_path, worked_out, monkeypatch, u_bar, unsure):
    job, _, document, breaths = worked_out
    stages = copy.deepcopy(document["stages"])
    for stage in stages:
        stage["speeds"][0] |= {"residual_bar": 1.0, "residual_bar_u": u_bar}  # shown with k = 2

    monkeypatch.setattr(
        breathing, "breath_document", lambda *_, **__: (document | {"stages": stages}, breaths)
    )
    at = part(tmp_path, job=job)
    at.text_input(key="decide breath rpm").set_value("9000, 11000").run()
    at.button(key="decide breath go").click().run()
    assert not at.exception
    assert ("it may be the other way about" in said(at.markdown)) == unsure


def test_more_speeds_than_are_taken_are_said(tmp_path):
    at = part(tmp_path)
    at.text_input(key="decide breath rpm").set_value("6000:14000:500").run()
    assert "The first 8 of 17 speeds are taken, up to 9500 rpm" in said(at.warning)


def test_many_speeds_share_the_draws(tmp_path, worked_out, asked):
    at = part(tmp_path, job=worked_out[0])
    at.text_input(key="decide breath rpm").set_value("6000:13000:1000").run()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(breathing, "_show_run", lambda run, stages: None)  # the answer is of other speeds
        at.button(key="decide breath go").click().run()
    assert asked[0][2]["draws"] == 40
    assert len(asked[0][2]["drawn_rpm"]) == 8


def test_an_assumed_case_is_marked_and_the_page_runs_the_model(tmp_path, monkeypatch):
    ranges = []

    def watched(*given, **told):
        ranges.append(told["case_range_cm3"])
        return breath_document(*given, **{**told, "draws": 3})

    monkeypatch.setattr(breathing, "breath_document", watched)
    at = part(tmp_path)
    at.checkbox(key="decide breath assume").check().run()
    at.button(key="decide breath go").click().run(timeout=RUN_S)
    assert not at.exception
    engine = engine_with_case(engine_of(job_of(sample())))
    assert ranges == [assumed_case_cm3(engine)]
    assert engine.assumed[0] in said(at.caption)
    assert "stock at 9000 rpm: the blowdown is not done" in said(at.markdown)


@pytest.mark.parametrize(("units", "bar", "area"), [("mm", 1.0, 1.0), ("inch", 1 / PSI_BAR, 1 / INCH2_MM2)])
def test_the_plot_is_the_models_pressures_and_the_librarys_areas(worked_out, units, bar, area):
    job, maps, _, breaths = worked_out
    engine = engine_of(job)
    figure = breath_figure(engine, maps, breaths, case=1, system=unit_system(units))
    lines = {trace.name: trace for trace in figure.data}
    for stage, breath in breaths.items():
        np.testing.assert_allclose(
            lines[f"cylinder, {stage}"].y, breath.cylinder_pa[:, 1] / 1e5 * bar, rtol=1e-6
        )
        np.testing.assert_allclose(lines[f"case, {stage}"].y, breath.case_pa[:, 1] / 1e5 * bar, rtol=1e-6)
        exhaust = maps[stage].ports[0]
        drawn = np.nan_to_num(np.array(lines[f"all exhaust, {stage}"].y, float))
        np.testing.assert_allclose(
            drawn, opened_area(engine, exhaust, breath.deg) * area, rtol=1e-9, atol=1e-12
        )
    dashes = {lines[f"cylinder, {stage}"].line.dash for stage in breaths}
    assert len(dashes) == len(breaths)  # a stage is known without colour


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_plots_residual_is_the_tables_with_its_doubt(worked_out, units):
    job, maps, document, breaths = worked_out
    system = unit_system(units)
    figure = breath_figure(
        engine_of(job),
        maps,
        breaths,
        case=1,
        system=system,
        residual_u_bar=document["stages"][-1]["speeds"][1]["residual_bar_u"],
    )
    marked = [each.text for each in figure.layout.annotations if "residual" in each.text]
    assert marked == [f"residual {breath_beside(document, 1, system)[0][-1]} {system.pressure}, proposed"]


def test_a_plot_of_ports_without_blowdown_has_no_residual(worked_out):
    job, maps, _, breaths = worked_out
    low = replace(maps["stock"], ports=tuple(p for p in maps["stock"].ports if p.kind not in ("exhaust",)))
    figure = breath_figure(
        engine_of(job), {"stock": low}, {"stock": breaths["stock"]}, system=unit_system("mm")
    )
    assert "residual pressure" not in {trace.name for trace in figure.data}
