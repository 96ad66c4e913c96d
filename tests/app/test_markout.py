"""The page mark out: what follows a pull and a typed degree, what is kept, what is said of nonsense."""

import base64
import math

import pytest

from portmap.job import job_of, read_job
from portmap.roof_job import edits_of, proposal_of
from tests.app.opened import cells, job_file, opened_page, tables
from tests.sample_job import sample

TYPED_DEG = 96.0


def slider_crank_depth(angle_deg: float, throw: float = 16.0, rod: float = 58.0) -> float:
    """Heywood (1988) eq. 2.5, written here anew: how far the piston stands below TDC."""
    turn = math.radians(angle_deg)
    return rod + throw - throw * math.cos(turn) - math.sqrt(rod**2 - (throw * math.sin(turn)) ** 2)


def planned_sample(**plan):
    document = sample()
    document["plan"] = {
        "wishes": ["exhaust opens 96", "blowdown at least 30"],
        "operations": [{"operation": "grind_roof", "port": "exhaust", "amount_mm": 1.0}],
        **plan,
    }
    return job_of(document)


def words(at) -> str:
    return "\n".join(each.value for each in [*at.markdown, *at.error, *at.info, *at.caption])


def headline(at) -> str:
    return next(each.value for each in at.markdown if "blowdown" in each.value).replace("\\", "")


@pytest.fixture
def folder(tmp_path):
    return tmp_path


def test_without_a_job_the_page_says_where_to_get_one(folder):
    at = opened_page("markout", folder)
    assert not at.exception
    assert "Open a job first" in at.info[0].value


def test_a_job_without_a_map_leads_to_the_picture(folder):
    document = sample() | {"maps": []}
    at = opened_page("markout", folder, job=job_file(folder, job_of(document)))
    assert not at.exception
    assert "Picture" in at.info[0].value


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_a_pull_moves_the_figures_as_the_slider_crank_says(folder, units):
    at = opened_page("markout", folder, job=job_file(folder), units=units)
    pull, raised = (1.0, 1.0) if units == "mm" else (0.04, 0.04 * 25.4)
    at.slider(key=f"markout.pull.{units}").set_value(pull).run()
    assert not at.exception
    depth = 61.0 - 0.4 - 40.0 - raised
    opens = float(headline(at).partition("opens at ")[2].partition("°")[0])
    assert slider_crank_depth(opens) == pytest.approx(depth, abs=0.003)  # of the two decimals shown


def wall_drawing(at) -> str:
    url = at.get("image")[0].proto.imgs[0].url
    return base64.b64decode(url.partition("base64,")[2]).decode()


def test_what_is_pulled_is_drawn_dashed_over_the_stock_line(folder):
    at = opened_page("markout", folder, job=job_file(folder))
    assert "stroke-dasharray" not in wall_drawing(at)
    at.slider(key="markout.pull.mm").set_value(1.0).run()
    drawn = wall_drawing(at)
    assert "stroke-dasharray" in drawn
    assert ">proposed</text>" in drawn


def test_a_typed_degree_is_reached_and_kept_in_the_file(folder):
    path = job_file(folder)
    at = opened_page("markout", folder, job=path)
    at.text_input(key="markout.opens").set_value("96").run()
    assert f"opens at {TYPED_DEG:.2f}°" in headline(at)
    at.button(key="markout.keepit").click().run()
    assert not at.exception
    job = read_job(path)
    (edit,) = edits_of(job)
    assert edit.port == "exhaust"
    roof = proposal_of(job, (edit,)).ports[0].windows[0].outline.bounds[3]
    assert 61.0 - 0.4 - roof == pytest.approx(slider_crank_depth(TYPED_DEG), abs=1e-6)
    assert "exhaust, roof" in words(at).replace("\\", "")
    at.button(key="markout.takeback").click().run()
    assert read_job(path).edits == ()


@pytest.mark.parametrize(
    ("text", "said"),
    [("soon", "soon"), ("-5", "Opening degree"), ("0", "Opening degree"), ("400", "400")],
    ids=["a word", "below zero", "above the wall", "past a turn"],
)
def test_a_degree_that_makes_no_sense_is_said_and_nothing_breaks(folder, text, said):
    at = opened_page("markout", folder, job=job_file(folder))
    at.text_input(key="markout.opens").set_value(text).run()
    assert not at.exception
    assert said in at.error[0].value.replace("\\", "")
    assert "opens at 98.6" in headline(at) or "opens at 100" in headline(at)  # stock, as before


@pytest.mark.parametrize("shape", ["flat", "arched", "blended"])
def test_each_family_of_edges_can_be_pulled(folder, shape):
    at = opened_page("markout", folder, job=job_file(folder))
    at.selectbox(key="markout.port").set_value("main").run()  # beside the exhaust, so that it has two ends
    at.segmented_control(key="markout.shape").set_value(shape).run()
    at.slider(key="markout.pull.mm").set_value(1.5).run()
    assert not at.exception
    assert not at.error
    assert "To be ground" in words(at)


def test_the_kept_plan_is_held_against_the_pull(folder):
    at = opened_page("markout", folder, job=job_file(folder, planned_sample()))
    at.text_input(key="markout.opens").set_value("96").run()
    said = words(at).replace("\\", "")
    assert "✓ exhaust opens 96" in said
    assert 'too little for "blowdown at least 30"' in said


def test_ring_verdicts_carry_words_and_a_sign(folder):
    at = opened_page("markout", folder, job=job_file(folder))
    said = words(at)
    assert "✕ don't" in said  # the sample's corners are sharp
    assert any(each.help and "common practice" in each.help for each in at.markdown)


def test_a_skirt_controlled_port_is_pulled_down(folder):
    at = opened_page("markout", folder, job=job_file(folder))
    at.selectbox(key="markout.port").set_value("intake").run()
    at.slider(key="markout.pull.mm").set_value(0.5).run()
    assert not at.exception
    assert "floor moves 0.50 mm" in headline(at)


def proposed(at) -> dict[str, str]:
    """What stands under "proposed now", by figure."""
    return {row[0].partition(",")[0]: row[1] for row in cells(tables(at)[0])}


def test_proposed_figures_carry_the_doubt_of_their_outlines(folder):
    """JCGM 100, 5.1.2: a roof's doubt times the slope there.

    A roof that is measured off from the old one keeps the old one's doubt.
    """
    at = opened_page("markout", folder, job=job_file(folder))
    at.slider(key="markout.pull.mm").set_value(1.0).run()
    shown = proposed(at)
    for figure in ("opens", "closes", "open for", "blowdown", "roof", "exhaust time-area"):
        assert "±" in shown[figure], figure
    value, _, doubt = shown["opens"].rstrip("°").partition(" ± ")
    depth = slider_crank_depth(float(value))
    step = slider_crank_depth(float(value) + 0.01) - depth
    roof_u_mm = sample()["maps"][0]["ports"][0]["windows"][0]["doubt"]["roof_u_mm"]
    assert float(doubt) == pytest.approx(2 * roof_u_mm * 0.01 / step, abs=0.01)  # rounded up to two decimals
    assert "outlines alone" in words(at)
    assert tables(at)[0].startswith('<table class="pm-table named">')  # named on a phone too


@pytest.mark.parametrize("which", ["degree", "height", "timearea"])
def test_plots_are_drawn(folder, which):
    at = opened_page("markout", folder, job=job_file(folder))
    at.segmented_control(key="markout.plot").set_value(which).run()
    assert not at.exception
    assert not at.error


def test_a_foreign_proposed_map_is_not_replaced_unasked(folder):
    document = sample()
    ports = [
        {**port, "windows": [dict(window) for window in port["windows"]]}
        for port in document["maps"][0]["ports"]
    ]
    document["maps"].append({"stage": "proposed", "ports": ports})
    path = job_file(folder, job_of(document))
    at = opened_page("markout", folder, job=path)
    at.slider(key="markout.pull.mm").set_value(1.0).run()
    at.button(key="markout.keepit").click().run()
    assert "was not made" in at.error[0].value.replace("\\", "")
    assert read_job(path).edits == ()
    at.button(key="markout.keepit").click().run()
    assert len(read_job(path).edits) == 1
