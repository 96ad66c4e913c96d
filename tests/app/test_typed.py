"""A bare number in a field of lengths is in the unit that stands in the field's name."""

from __future__ import annotations

import pytest

from portmap.job import read_job
from portmap.quantity import lengths_mm
from portmap.shown import unit_system
from tests.app.opened import job_file, opened_page, said

from portmap.app import store, typed  # isort: skip

INCH_MM = 25.4  # international yard and pound agreement, 1959


@pytest.mark.parametrize(
    ("text", "inch_mm", "mm_mm"),
    [
        pytest.param("0.02", [0.508], [0.02], id="a bare number"),
        pytest.param("1/16", [1.5875], [0.0625], id="a bare fraction"),
        pytest.param("0, 0.01, 0.02", [0, 0.254, 0.508], [0, 0.01, 0.02], id="several"),
        pytest.param("0; 0,01", [0, 0.254], [0, 0.01], id="several, decimal commas"),
        pytest.param("0.5 mm", [0.5], [0.5], id="millimetres"),
        pytest.param("20 thou", [0.508], [0.508], id="thousandths"),
        pytest.param('0.02"', [0.508], [0.508], id="the sign of an inch"),
        pytest.param("0, 0.3, 0.5 mm", [0, 0.3, 0.5], [0, 0.3, 0.5], id="several with a unit"),
    ],
)
@pytest.mark.parametrize("units", ["mm", "inch"])
def test_a_bare_number_is_in_the_readers_unit(
    monkeypatch: pytest.MonkeyPatch, units: str, text: str, inch_mm: list[float], mm_mm: list[float]
) -> None:
    monkeypatch.setattr(store, "system", lambda: unit_system(units))
    wanted = inch_mm if units == "inch" else mm_mm
    assert lengths_mm(typed.with_unit(text)) == pytest.approx(wanted, abs=1e-12)


def test_nothing_typed_stays_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "system", lambda: unit_system("inch"))
    assert typed.with_unit("  ") == "  "


@pytest.mark.parametrize(("units", "typed_text"), [("mm", "0.508"), ("inch", "0.02")])
def test_work_tried_in_either_unit_is_the_same_work(tmp_path, units: str, typed_text: str) -> None:
    at = opened_page("decide", tmp_path, job=job_file(tmp_path), units=units)
    at.segmented_control(key="decide part").set_value("try").run()
    amount = at.text_input(key="decide amount")
    assert amount.label == f"How much, {unit_system(units).length}"
    amount.set_value(typed_text).run()
    at.button(key="decide add").click().run()
    assert not at.exception
    assert float(typed_text) * (INCH_MM if units == "inch" else 1) == pytest.approx(0.508)
    assert f"{unit_system(units).lengths(0.508)} {unit_system(units).length}" in said(at.markdown)


def test_a_corner_radius_is_typed_in_inches(tmp_path) -> None:
    at = opened_page("markout", tmp_path, job=job_file(tmp_path), units="inch")
    at.slider(key="markout.pull.inch").set_value(0.04).run()
    at.segmented_control(key="markout.shape").set_value("flat").run()
    assert at.text_input(key="markout.radius").label == "Corner radius, in"
    at.text_input(key="markout.radius").set_value("0.06").run()
    assert not at.exception
    assert not at.error
    at.button(key="markout.keepit").click().run()
    assert not at.exception
    (edit,) = read_job(tmp_path / "job.json").edits
    assert edit.radius_mm == pytest.approx(0.06 * INCH_MM)
