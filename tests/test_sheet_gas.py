"""The sheet's section about time enough at speed: the library's figures, marked as guide and as a model's."""

from dataclasses import replace

import numpy as np
import pytest

from portmap import sheet_gas
from portmap.breath import breath_document
from portmap.errors import QuantityError
from portmap.gas_rows import breath_beside, guide_source, guides_beside, switched_off_lines
from portmap.guide import guide_document
from portmap.intake_valve import ReedIntake
from portmap.job import engine_of, job_of, port_map_of
from portmap.sheet_gas import gas_section
from portmap.sheet_parts import Drawing, Prose
from portmap.sheet_rows import SheetTable
from portmap.shown import unit_system
from tests.sample_job import sample

RPM = 9000.0
WIDTH_MM = 180.0


@pytest.fixture(scope="module")
def engine_and_ports():
    job = job_of(sample())
    return engine_of(job), port_map_of(job)


@pytest.fixture(scope="module")
def modelled(engine_and_ports):
    """The model's answer, worked out once."""
    engine, ports = engine_and_ports
    engine = replace(engine, case_volume_cm3=190.0)
    return engine, ports, breath_document(engine, {"stock": ports}, [RPM], draws=3)


def words(section):
    return " ".join(line for part in section.parts if isinstance(part, Prose) for line in part.lines)


def test_verdicts_are_the_guides_with_how_each_was_come_by(engine_and_ports):
    engine, ports = engine_and_ports
    section = gas_section(engine, [ports], unit_system("mm"), rpm=RPM, width_mm=WIDTH_MM)
    found = guide_document(engine, ports, [RPM])
    assert [list(row) for row in section.parts[0].rows[1:]] == guides_beside({"stock": found})
    assert "(from memory, high)" in section.parts[0].rows[1][1]
    for entry in found["speeds"][0]["guides"]:
        assert guide_source(entry) in words(section)
    assert "no permission and no target" in words(section)
    assert "Switched off, for nobody could verify them" in words(section)
    for line in switched_off_lines(found):
        assert line in words(section)
    assert section.heading == "Time enough at 9000 rpm: guides, and a model of the gas"


def test_without_a_case_volume_the_pressure_is_said_to_be_unknown(engine_and_ports):
    engine, ports = engine_and_ports
    section = gas_section(engine, [ports], unit_system("mm"), rpm=RPM, width_mm=WIDTH_MM)
    assert "cannot be told. The case's volume is not known." in words(section)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_residual_pressure_is_the_models_with_doubt(modelled, units, monkeypatch):
    engine, ports, answer = modelled
    monkeypatch.setattr(sheet_gas, "breath_document", lambda *told, **more: answer)
    section = gas_section(engine, [ports], unit_system(units), rpm=RPM, width_mm=WIDTH_MM)
    expected = breath_beside(answer[0], 0, unit_system(units))[:2]
    tables = [part for part in section.parts if isinstance(part, SheetTable)]
    assert [list(row) for row in tables[-1].rows[1:]] == expected
    assert "±" in expected[0][1]
    assert "no power is promised" in words(section)


def test_no_ports_no_section(engine_and_ports):
    engine, ports = engine_and_ports
    assert (
        gas_section(engine, [replace(ports, ports=())], unit_system("mm"), rpm=RPM, width_mm=WIDTH_MM) is None
    )


def test_a_speed_that_is_none_is_refused(engine_and_ports):
    engine, ports = engine_and_ports
    with pytest.raises(QuantityError, match="above 0"):
        gas_section(engine, [ports], unit_system("mm"), rpm=0.0, width_mm=WIDTH_MM)


class Recorded:
    """A pen that remembers."""

    def __init__(self):
        self.lines, self.shapes, self.texts = [], [], []

    def line(self, start_mm, end_mm, **how):
        self.lines.append((start_mm, end_mm))

    def shape(self, rings_mm, **how):
        self.shapes.append((np.array(next(iter(rings_mm))), how))

    def words(self, place_mm, text, **how):
        self.texts.append((place_mm, text))

    def badge(self, middle_mm, text, **how):
        self.texts.append((middle_mm, text))


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_plot_is_the_models_pressures_to_its_own_scale(modelled, units, monkeypatch):
    engine, ports, answer = modelled
    monkeypatch.setattr(sheet_gas, "breath_document", lambda *told, **more: answer)
    section = gas_section(engine, [ports], unit_system(units), rpm=RPM, width_mm=WIDTH_MM)
    (plot,) = [part for part in section.parts if isinstance(part, Drawing)]
    pen = Recorded()
    plot.draw(pen, 10.0, 200.0)
    # the scale as a reader takes it, from the axes' own numbers
    by_text = {text: place for place, text in pen.texts}
    ticks = {
        float(text): place[1]
        for place, text in pen.texts
        if place[0] < 24.0 and text.replace(".", "").isdigit()
    }
    degrees = {float(text): place[0] for place, text in pen.texts if text.isdigit() and place[0] > 24.0}
    per_mm = (max(ticks) - min(ticks)) / (ticks[max(ticks)] - ticks[min(ticks)])
    deg_per_mm = (max(degrees) - min(degrees)) / (degrees[max(degrees)] - degrees[min(degrees)])
    breath = answer[1]["stock"]
    factor = 1e-5 if units == "mm" else 1e-5 / 0.0689475729  # NIST SP 811, appendix B.8
    (case, _), (cylinder, _) = pen.shapes
    for drawn, trace in ((cylinder, breath.cylinder_pa), (case, breath.case_pa)):
        angles = min(degrees) + (drawn[:, 0] - degrees[min(degrees)]) * deg_per_mm
        pressures = min(ticks) + (drawn[:, 1] - ticks[min(ticks)] - 0.7) * per_mm
        known = np.minimum(np.interp(angles, breath.deg, trace[:, 0] * factor), pressures.max())
        np.testing.assert_allclose(pressures, known, rtol=2e-3)
    assert any("left" in text and unit_system(units).pressure in text for text in by_text)
    room = [point for line in pen.lines for point in line]
    assert all(10.0 <= x <= 10.0 + WIDTH_MM and 200.0 - plot.height_mm <= y <= 200.0 for x, y in room)


def test_a_valve_beside_windows_is_said(modelled, monkeypatch):
    engine, ports, answer = modelled
    monkeypatch.setattr(sheet_gas, "breath_document", lambda *told, **more: answer)
    engine = replace(engine, intake=ReedIntake(opened_pa_mm2=((0.0, 0.0), (20_000.0, 160.0))))
    section = gas_section(engine, [ports], unit_system("mm"), rpm=RPM, width_mm=WIDTH_MM)
    assert "! Air comes in by the case's valve that the job states alone" in words(section)
