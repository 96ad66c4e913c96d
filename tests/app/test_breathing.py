"""The part of Decide about time enough at speed: guides with their sources, the gas model with its doubt."""

from dataclasses import replace

import numpy as np
import pytest

from portmap.breath import breath_document, engine_with_case
from portmap.gas_rows import breath_beside, change_lines, guide_source, guides_beside, speeds_beside
from portmap.guide import guide_document
from portmap.job import engine_of, job_of, port_map_of
from portmap.shown import unit_system
from portmap.window import opened_area
from tests.app.opened import cells, job_file, opened_page, said, tables
from tests.cylinders import job_document, proposed, stock
from tests.sample_job import sample

from portmap.app.breath_plot import breath_figure  # isort: skip

INCH2_MM2 = 25.4**2  # international yard and pound agreement, 1959
PSI_BAR = 0.0689475729  # NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa
RUN_S = 240  # of a page that runs the gas model on a busy machine


def two_stages():
    document = job_document(stock(), proposed())
    document["engine"] |= {"head_volume_cm3": 6.1, "case_volume_cm3": 190.0}
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
    assert "Runs short first as speed rises" in shown


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
    return job, maps, *breath_document(engine_of(job), maps, [9000.0, 11000.0], draws=10)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_models_figures_are_the_librarys(tmp_path, worked_out, units, monkeypatch):
    job, _, document, breaths = worked_out
    asked = []

    def known(engine, stages, speeds, **told):
        asked.append((list(stages), speeds, told["draws"]))
        told["done"](0.5)
        return dict(document), breaths

    from portmap.app.deciding import breathing

    monkeypatch.setattr(breathing, "breath_document", known)
    at = part(tmp_path, job=job, units=units)
    assert "Not worked out yet" in said(at.caption)
    at.text_input(key="decide breath rpm").set_value("9000, 11000").run()
    at.button(key="decide breath go").click().run()
    assert not at.exception
    assert asked == [(["stock", "proposed"], (9000.0, 11000.0), 100)]
    system = unit_system(units)
    shown = [cells(table) for table in tables(at)]
    assert breath_beside(document, 0, system) in shown
    for line in change_lines(document, system):
        assert line in said(at.markdown)
    assert any(document["assumptions"][0]["basis"] in row for table in shown for row in table)
    assert "no power is promised" in said(at.warning)
    at.segmented_control(key="decide breath which").set_value(1).run()
    assert breath_beside(document, 1, system) in [cells(table) for table in tables(at)]
    assert len(asked) == 1  # what was worked out is kept
    at.text_input(key="decide breath rpm").set_value("8000").run()
    assert "Not worked out yet" in said(at.caption)


def test_an_assumed_case_is_marked_and_the_page_runs_the_model(tmp_path):
    at = part(tmp_path)
    at.checkbox(key="decide breath assume").check().run()
    at.button(key="decide breath go").click().run(timeout=RUN_S)
    assert not at.exception
    engine = engine_with_case(engine_of(job_of(sample())))
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


def test_a_plot_of_ports_without_blowdown_has_no_residual(worked_out):
    job, maps, _, breaths = worked_out
    low = replace(maps["stock"], ports=tuple(p for p in maps["stock"].ports if p.kind not in ("exhaust",)))
    figure = breath_figure(
        engine_of(job), {"stock": low}, {"stock": breaths["stock"]}, system=unit_system("mm")
    )
    assert "residual pressure" not in {trace.name for trace in figure.data}
