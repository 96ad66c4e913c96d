"""The sheet's section about time enough at speed: the library's figures, marked as guide and as a model's."""

from dataclasses import replace

import pytest

from portmap import sheet_gas
from portmap.breath import breath_document
from portmap.errors import QuantityError
from portmap.gas_rows import breath_beside, guide_source, guides_beside, switched_off_lines
from portmap.guide import guide_document
from portmap.job import engine_of, job_of, port_map_of
from portmap.sheet_gas import gas_section
from portmap.sheet_parts import Prose
from portmap.shown import unit_system
from tests.sample_job import sample

RPM = 9000.0


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
    section = gas_section(engine, [ports], unit_system("mm"), rpm=RPM)
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
    section = gas_section(engine, [ports], unit_system("mm"), rpm=RPM)
    assert "cannot be told. The case's volume is not known." in words(section)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_residual_pressure_is_the_models_with_doubt(modelled, units, monkeypatch):
    engine, ports, answer = modelled
    monkeypatch.setattr(sheet_gas, "breath_document", lambda *told, **more: answer)
    section = gas_section(engine, [ports], unit_system(units), rpm=RPM)
    expected = breath_beside(answer[0], 0, unit_system(units))[:2]
    assert [list(row) for row in section.parts[-2].rows[1:]] == expected
    assert "±" in expected[0][1]
    assert "no power is promised" in words(section)


def test_no_ports_no_section(engine_and_ports):
    engine, ports = engine_and_ports
    assert gas_section(engine, [replace(ports, ports=())], unit_system("mm"), rpm=RPM) is None


def test_a_speed_that_is_none_is_refused(engine_and_ports):
    engine, ports = engine_and_ports
    with pytest.raises(QuantityError, match="above 0"):
        gas_section(engine, [ports], unit_system("mm"), rpm=0.0)
