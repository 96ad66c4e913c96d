"""The page after grinding: what is compared, the line, left and right, other files, nonsense."""

import pytest

from portmap.compare import Side, compared
from portmap.comparison_rows import port_rows
from portmap.job import engine_of, job_of, port_map_of, write_job
from portmap.shown import unit_system
from tests.app.opened import job_file, opened_page
from tests.cylinders import SHORT_MM, SLIP_MM, ground, job_document, proposed, stock


def compared_page(folder, *maps, units="mm"):
    job = job_of(job_document(*(maps or (stock(), proposed(), ground()))))
    at = opened_page("ground", folder, job=job_file(folder, job), units=units)
    assert not at.exception
    return at, job


def html(at) -> str:
    return "\n".join(each.value for each in at.get("html"))


def words(at) -> str:
    return "\n".join(each.value for each in [*at.markdown, *at.info, *at.error, *at.caption]).replace(
        "\\", ""
    )


@pytest.fixture
def folder(tmp_path):
    return tmp_path


@pytest.mark.parametrize(
    ("maps", "said"), [(None, "Open a job first"), ((), "Picture"), ((stock(),), "stock ports alone")]
)
def test_without_two_maps_the_page_says_what_to_do(folder, maps, said):
    job = None if maps is None else job_file(folder, job_of(job_document(*maps)))
    at = opened_page("ground", folder, job=job)
    assert not at.exception
    assert said in words(at)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_figures_are_the_librarys(folder, units):
    at, job = compared_page(folder, units=units)
    sides = [
        Side(name=job.name, port_map=port_map_of(job, stage), bore_mm=46.0, engine=engine_of(job))
        for stage in ("stock", "ground")
    ]
    found = compared(*sides, rpm=9000.0)
    at.toggle(key="ground all").set_value(True).run()
    shown = html(at)
    for port in found.ports:
        for row in port_rows(port, unit_system(units)):
            for cell in row[2:]:
                assert f">{cell}</td>" in shown


def test_the_slip_past_the_line_and_the_short_roof_are_named(folder):
    at, _ = compared_page(folder)
    said = words(at)
    assert f"past the line: {SLIP_MM[2]:.2f} mm" in said
    assert f"still to take: {SHORT_MM:.2f} mm" in said


def test_left_and_right_are_held_against_each_other(folder):
    at, _ = compared_page(folder)
    assert "Right minus left in b" in html(at)
    assert f"−{SHORT_MM:.2f} !" in html(at)  # the right main was left so much too low


def test_another_file_may_be_compared(folder):
    other = write_job(folder / "other.json", job_of(job_document(stock())))
    at, _ = compared_page(folder, stock())
    at.selectbox(key="ground file").set_value(other.name).run()
    assert not at.exception
    assert "exhaust" in html(at)


def test_another_bore_is_compared_by_degrees_alone(folder):
    document = job_document(stock(), bore_mm=52.0)
    write_job(folder / "wide.json", job_of(document))
    at, _ = compared_page(folder, stock())
    at.selectbox(key="ground file").set_value("wide.json").run()
    assert not at.exception
    assert "only degrees" in words(at)


def test_a_broken_file_is_said_and_breaks_nothing(folder):
    (folder / "broken.json").write_text('{"format": "portmap-job", "version": 1, "name": "x"}')
    at, _ = compared_page(folder)
    at.selectbox(key="ground file").set_value("broken.json").run()
    assert not at.exception
    assert at.error
    assert "exhaust" in html(at)


def test_a_speed_that_makes_no_sense_is_said(folder):
    at, _ = compared_page(folder)
    at.text_input(key="ground rpm").set_value("fast").run()
    assert not at.exception
    assert "fast" in at.error[0].value


def test_edges_may_be_laid_by_what_was_not_ground(folder):
    at, _ = compared_page(folder)
    at.segmented_control(key="ground lay").set_value("fit").run()
    assert not at.exception
    assert "was laid on what was not ground" in words(at)
