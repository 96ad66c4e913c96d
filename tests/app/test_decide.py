"""The page decide: effects, tried work, plan, sureness, cold start; figures are the library's."""

import re

import pytest

from portmap.effects import work_document
from portmap.job import job_of, read_job
from portmap.operation import parse_operation
from portmap.sample_job import sample_job
from portmap.shop_limits import usual_limits
from portmap.shopwork import build_of
from portmap.shown import unit_system
from portmap.work_rows import change_rows, effect_tables
from tests.app.opened import job_file, opened_page
from tests.sample_job import sample


def part(folder, name, *, units="mm", job=None):
    at = opened_page("decide", folder, job=job or job_file(folder), units=units)
    at.segmented_control(key="decide part").set_value(name).run()
    assert not at.exception
    return at


def html(at) -> str:
    return "\n".join(each.value for each in at.get("html"))


def words(at) -> str:
    said = [*at.markdown, *at.error, *at.info, *at.caption, *at.success, *at.warning]
    return "\n".join(each.value for each in said).replace("\\", "")


@pytest.fixture
def folder(tmp_path):
    return tmp_path


def test_without_a_job_the_page_says_where_to_get_one(folder):
    at = opened_page("decide", folder)
    assert not at.exception
    assert "Open a job first" in at.info[0].value


def test_without_ports_the_page_says_what_to_do(folder):
    at = opened_page("decide", folder, job=job_file(folder, job_of(sample() | {"maps": []})))
    assert not at.exception
    assert "Measure" in at.info[0].value


def test_cautions_stand_where_metal_is_cut(folder):
    at = opened_page("decide", folder, job=job_file(folder))
    assert "mask" in at.warning[0].value


@pytest.mark.parametrize(("units", "key"), [("mm", "per_0_1_mm"), ("inch", "per_10_thou")])
def test_effects_are_the_librarys_in_both_units(folder, units, key):
    at = part(folder, "effects", units=units)
    build = build_of(job_of(sample()))
    document = work_document(build, (), (), table=True)
    first = next(
        each
        for each in effect_tables(document["effects"], build.edges, unit_system(units))
        if each.size == key
    )
    shown = html(at)
    for row in first.rows:
        for cell in row[1:]:
            assert cell == "0" or f">{cell}</td>" in shown


def test_a_cut_of_the_base_takes_up_squish_one_for_one(folder):
    """By geometry: what comes off the base comes off the squish, and off every port's height."""
    assert '<td class="f" data-name="squish, mm">−0.100</td>' in html(part(folder, "effects"))


def added(at, name, amount, port=None):
    at.selectbox(key="decide kind").set_value(name).run()
    if port is not None:
        at.selectbox(key="decide port").set_value(port).run()
    at.text_input(key="decide amount").set_value(amount).run()
    return at.button(key="decide add").click().run()


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_tried_work_shows_the_librarys_before_after_and_change(folder, units):
    at = part(folder, "try", units=units)
    added(at, "cut_base", "0.2 mm")
    added(at, "grind_roof", "20 thou", "exhaust")
    assert not at.exception
    pieces = (parse_operation("cut_base 0.2 mm"), parse_operation("grind_roof exhaust 20 thou"))
    document = work_document(build_of(job_of(sample())), pieces, ())
    shown = html(at)
    for row in change_rows(document["figures"], unit_system(units)):
        for cell in row:
            assert f">{cell}</td>" in shown
    at.button(key="decide drop").click().run()
    assert "exhaust" not in "".join(each.value for each in at.markdown if each.value.startswith("1."))


def test_a_limit_that_is_passed_is_said_with_a_sign(folder):
    at = part(folder, "try")
    added(at, "cut_base", "0.9")
    assert "✕ limit" in words(at)


def test_sentences_of_limits_speak_inch_where_the_page_does(folder):
    """An inch is 25.4 mm: international yard and pound agreement, 1959; 0.9 mm are 0.0354 in."""
    at = part(folder, "try", units="inch")
    added(at, "cut_base", "0.9 mm")
    said = [line for line in words(at).splitlines() if line.startswith("**✕ limit**")]
    assert said
    assert all(" in" in line and not re.search(r"\d mm", line) for line in said)
    limits = {limit.name: limit for limit in usual_limits()}
    assert any(f"{limits['strike'].bound_mm / 25.4:.4f} in" in line for line in said)


def test_a_plan_that_cannot_be_had_says_why_in_inch_where_the_page_is_in_inch(folder):
    at = planned(part(folder, "plan", units="inch"), "blowdown at least 80")
    assert "In the way" in words(at)
    assert not re.search(r"\d mm", words(at))


@pytest.mark.parametrize(("units", "other"), [("mm", "in"), ("inch", "mm")])
def test_doubts_that_are_taken_for_granted_are_said_in_the_units_chosen(folder, units, other):
    at = part(folder, "sure", units=units)
    (told,) = [each.value.replace("\\", "") for each in at.warning if "Assumed doubt" in each.value]
    assert not re.search(rf"[\d.]+ {other}\b", told)
    assert re.search(r"±[\d.]+ (mm|in)\b", told)


@pytest.mark.parametrize(
    "amount", ["", "a bit", "-0.2", "4 kg"], ids=["nothing", "words", "below 0", "a mass"]
)
def test_an_amount_that_makes_no_sense_is_said_and_adds_nothing(folder, amount):
    at = part(folder, "try")
    added(at, "cut_base", amount)
    assert not at.exception
    assert at.error
    assert "No work is added yet" in words(at)


def planned(at, wishes, **told):
    at.text_area(key="decide wishes").set_value(wishes)
    for key, text in told.items():
        at.text_input(key=f"decide {key}").set_value(text)
    at.button(key="decide go").click().run()
    assert not at.exception
    return at


def test_a_plan_is_found_shown_and_kept(folder):
    path = job_file(folder)
    at = part(folder, "plan", job=path)
    planned(at, "squish 0.5 mm\nblowdown at least 18")
    said = html(at)
    assert ">squish</td>" in said
    assert "chance of all" in said
    assert "In working order" in words(at)
    at.button(key="decide keep 1").click().run()
    assert not at.exception
    plan = read_job(path).plan
    assert plan is not None
    assert plan.wishes == ("squish 0.5 mm", "blowdown at least 18")
    assert plan.operations
    assert "is kept in the job" in words(at)


@pytest.mark.parametrize(
    "wish", ["blowdown at least 150", "blowdown at least 80"], ids=["never", "by no work"]
)
def test_a_wish_that_cannot_be_had_says_what_stands_in_the_way(folder, wish):
    at = planned(part(folder, "plan"), wish)
    assert "No work known here" in words(at)
    assert "In the way" in words(at)


@pytest.mark.parametrize(
    ("wishes", "told", "said"),
    [
        ("more power", {}, "more power"),
        ("", {}, "wish"),
        ("squish 0.5 mm", {"gaskets": "thin"}, "thin"),
        ("squish 0.5 mm", {"step": "fine"}, "fine"),
    ],
    ids=["no figure", "no wish", "gasket", "step"],
)
def test_nonsense_in_the_form_is_said(folder, wishes, told, said):
    at = planned(part(folder, "plan"), wishes, **told)
    assert said in at.error[0].value.replace("\\", "")


def test_how_sure_names_the_reading_to_repeat(folder):
    at = part(folder, "sure")
    said = words(at)
    assert "To gain most" in said or "No single further reading" in said
    assert "blowdown" in html(at)
    at.selectbox(key="decide result").set_value("squish_mm").run()
    assert not at.exception


@pytest.mark.parametrize(("units", "pressure"), [("mm", "bar"), ("inch", "psi")])
def test_cold_start_speaks_the_units_chosen(folder, units, pressure):
    at = part(folder, "cold", units=units)
    assert pressure in words(at)
    assert "swept" in html(at)


def test_swept_volume_is_that_of_the_cylinder(folder):
    """π/4 · 46² · 32 mm³ = 53.18 cm³, by hand."""
    assert ">53.18</td>" in html(part(folder, "cold"))


def test_an_altitude_that_makes_no_sense_is_said(folder):
    at = part(folder, "cold")
    at.text_input(key="decide cold altitude").set_value("high up").run()
    assert not at.exception
    assert "Altitude" in at.error[0].value


def test_what_the_command_line_would_do_is_said_in_the_pages_own_words(folder):
    at = part(folder, "sure", job=job_file(folder, sample_job()))
    told = "\n".join(each.value for each in at.warning).replace("\\", "")
    assert "on the page Measure" in told
    assert "--" not in told
