"""The fit of readings: true figures found again, doubts that hold, slips named, and what is open said."""

import copy
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq, least_squares
from scipy.stats import chi2

from portmap.engine import EngineDoubt
from portmap.errors import JobError, PortmapError
from portmap.fit import fit_readings
from portmap.fit_figures import figures_of
from portmap.fit_model import model_of, predictions
from portmap.fitted_job import fitted_job
from portmap.job import engine_of, job_of, port_edges_of
from portmap.job_faults import document_of
from portmap.port import Pocket, PortEdges
from portmap.readings import Reading, reading_ports, readings_of
from portmap.timing import edge_timing
from tests.bench_engine import (
    TWENTY,
    U_DEG,
    U_MM,
    U_OFFSET,
    U_RATIO,
    TrueEngine,
    drawn_engine,
    drawn_job,
    true_reading,
)
from tests.sample_job import sample

THOU_MM = 0.0254  # exact: international yard and pound agreement, 1959


def base(**engine) -> dict:
    return {
        "format": "portmap-job",
        "version": 1,
        "name": "made-up",
        "engine": {"bore_mm": 50.0, "stroke_mm": 34.0, "crown_height_mm": 61.0, **engine},
        "cylinder": {"base_gasket_mm": 0.5},
        "maps": [],
        "readings": [],
    }


def deg(kind, port, value, **more):
    return {"kind": kind, "port": port, "value": value, "unit": "deg", **more}


def mm(kind, value, **more):
    return {"kind": kind, "value": value, "unit": "mm", **more}


def fit_of(document, *readings, **how):
    return fit_readings(job_of({**document, "readings": [*document["readings"], *readings]}), **how)


# --- truth found again ---


@pytest.mark.parametrize("seed", range(4))
def test_readings_without_error_give_the_true_engine(seed):
    rng = np.random.default_rng(seed)
    engine = replace(drawn_engine(rng), gasket=0.5)
    fit = fit_readings(job_of(drawn_job(engine, rng, noise=0.0, rod_measured=True)))
    truth = {**engine.named(), "gasket_mm:0.8": 0.8}
    for figure in fit.figures:
        assert figure.value == pytest.approx(truth[figure.name], abs=2e-6), figure.name
    assert fit.chi_square < 1e-6
    assert not fit.suspects


def test_estimates_and_doubts_are_those_of_scipy_on_another_model():
    """scipy's least squares with numerical slopes over the tests' own slider-crank, which bisects."""
    rng = np.random.default_rng(3)
    engine = drawn_engine(rng)
    plan = tuple(each for each in TWENTY if each[1].get("gasket_mm") != 0.8)
    document = drawn_job(engine, rng, plan=plan)
    fit = fit_readings(job_of(document))

    names = [figure.name for figure in fit.figures]
    stated = document["engine"]
    held = {
        "bore_mm": (stated["bore_mm"], U_MM),
        "stroke_mm": (stated["stroke_mm"], U_MM),
        "rod_mm": (1.8 * stated["stroke_mm"], U_RATIO * stated["stroke_mm"]),
        "pin_offset_mm": (0.0, U_OFFSET),
        "crown_height_mm": (stated["crown_height_mm"], 0.05 * stated["crown_height_mm"]),
        "base_gasket_mm": (0.5, U_MM),
    }

    def engine_at(values) -> TrueEngine:
        figures = dict(zip(names, values, strict=True))
        heights = {
            edge: {name.split(":")[1]: size for name, size in figures.items() if name.startswith(edge)}
            for edge in ("roof", "floor")
        }
        return TrueEngine(
            bore=figures["bore_mm"],
            stroke=figures["stroke_mm"],
            rod=figures["rod_mm"],
            offset=figures["pin_offset_mm"],
            crown=figures["crown_height_mm"],
            gasket=figures["base_gasket_mm"],
            skirt=figures["skirt_length_mm"],
            deck=figures["deck_height_mm"],
            band=figures["squish_band_height_mm"],
            head=figures["head_volume_cm3"],
            roofs=heights["roof"],
            floors=heights["floor"],
        )

    doubts = [true_reading(engine, kind, **where)[1] for kind, where in plan]

    def residuals(values):
        now = engine_at(values)
        read = [
            (true_reading(now, kind, **where)[0] - reading["value"]) / u
            for (kind, where), reading, u in zip(plan, document["readings"], doubts, strict=True)
        ]
        kept = [(values[names.index(name)] - centre) / u for name, (centre, u) in held.items()]
        return np.array(read + kept)

    start = np.array([engine.named()[name] for name in names])
    found = least_squares(residuals, start, "3-point", x_scale=np.maximum(np.abs(start), 0.1), diff_step=1e-4)
    covariance = np.linalg.inv(found.jac.T @ found.jac)
    for number, figure in enumerate(fit.figures):
        u = np.sqrt(covariance[number, number])
        assert figure.value == pytest.approx(found.x[number], abs=0.02 * u), figure.name
        assert figure.u == pytest.approx(u, rel=0.01), figure.name
    assert np.allclose(fit.doubt.covariance, covariance, rtol=0.03, atol=1e-5)


def test_doubts_hold_and_estimates_are_unbiased_over_many_engines():
    """A short run of tests/accuracy/study_fit.py; the bounds are four standard errors wide."""
    scores: list[float] = []
    for number in range(60):
        rng = np.random.default_rng([77, number])
        engine = drawn_engine(rng)
        fit = fit_readings(job_of(drawn_job(engine, rng, rod_measured=bool(number % 2))))
        truth = engine.named()
        scores += [
            (figure.value - truth[figure.name]) / figure.u for figure in fit.figures if figure.name in truth
        ]
    inside = np.mean(np.abs(scores) <= 1.96)
    assert 0.92 < inside < 0.98
    assert abs(np.mean(scores)) < 4 / np.sqrt(60)


def test_slopes_are_those_of_small_changes():
    ports = {
        "e": PortEdges(id="e", kind="exhaust", control="crown"),
        "i": PortEdges(id="i", kind="intake", control="skirt"),
        "s": PortEdges(
            id="s",
            kind="strato",
            control="pocket",
            pocket=Pocket(top_below_crown_mm=12.0, bottom_below_crown_mm=30.0),
        ),
    }
    readings = [
        Reading(kind="opens", port="e", value=104.0),
        Reading(kind="closes", port="e", value=256.0, gasket_mm=0.8),
        Reading(kind="opens", port="i", value=285.0),
        Reading(kind="closes", port="i", value=75.0, gasket_mm=0.0),
        Reading(kind="opens", port="s", value=300.0),
        Reading(kind="closes", port="s", value=60.0),
        Reading(kind="depth_at", at_deg=250.0, value=20.0),
        Reading(kind="squish", value=0.6),
        Reading(kind="head_volume", value=6.0, gasket_mm=0.8),
        Reading(kind="roof_from_deck", port="e", value=22.0),
        Reading(kind="floor_depth", port="i", value=50.0),
    ]
    at = {
        "bore_mm": 50.0,
        "stroke_mm": 34.0,
        "rod_mm": 60.0,
        "pin_offset_mm": 0.8,
        "crown_height_mm": 61.0,
        "base_gasket_mm": 0.5,
        "gasket_mm:0.8": 0.81,
        "skirt_length_mm": 36.9,
        "squish_band_height_mm": 61.2,
        "deck_height_mm": 62.0,
        "head_volume_cm3": 6.2,
        "roof_mm:e": 38.5,
        "floor_mm:i": 9.3,
        "roof_mm:s": 25.0,
        "floor_mm:s": 20.0,
    }
    model = model_of(readings, [*at], ports, 0.5)
    values = np.array([*at.values()])
    slopes = predictions(model, values).jacobian
    step = 1e-5
    for number, name in enumerate(at):
        moved = [
            predictions(model, values + side * step * np.eye(len(at))[number]).values for side in (1, -1)
        ]
        assert slopes[:, number] == pytest.approx((moved[0] - moved[1]) / (2 * step), abs=2e-6), name


def test_beyond_the_pistons_reach_a_degree_goes_on_straight():
    ports = {"e": PortEdges(id="e", kind="exhaust", control="crown")}
    names = ["stroke_mm", "rod_mm", "pin_offset_mm", "crown_height_mm", "roof_mm:e"]
    model = model_of([Reading(kind="opens", port="e", value=170.0)], names, ports, None)
    degrees = [
        float(predictions(model, np.array([34.0, 60.0, 0.0, 61.0, roof])).values[0])
        for roof in np.linspace(26.0, 28.0, 21)  # the piston goes down to 27
    ]
    assert np.isfinite(degrees).all()
    assert (np.diff(degrees) < 0).all()


# --- doubts, worked by hand ---


def test_doubt_of_a_roof_from_one_degree_by_hand():
    """JCGM 100, 5.1.2: the squared contributions of crown height, gasket, stroke, rod, offset and degree."""
    document = base(rod_mm=60.0, pin_offset_mm=0.0)
    fit = fit_of(document, deg("opens", "exhaust", 104.0))
    theta, a, rod = np.radians(104.0), 17.0, 60.0
    w = np.sqrt(rod**2 - (a * np.sin(theta)) ** 2)
    per_degree = (a * np.sin(theta) + a * a * np.sin(theta) * np.cos(theta) / w) * np.pi / 180
    per_throw = 1 - np.cos(theta) + a * np.sin(theta) ** 2 / w
    per_rod = 1 - rod / w
    per_offset = (1 - np.cos(theta)) * 0 + _offset_slope(theta, a, rod)
    parts = [U_MM, U_MM, per_throw / 2 * U_MM, per_rod * U_MM, per_offset * U_MM, per_degree * U_DEG]
    assert fit.doubt.u("roof_mm:exhaust") == pytest.approx(float(np.linalg.norm(parts)), rel=1e-3)


def _offset_slope(theta: float, a: float, rod: float) -> float:
    """How a depth moves with the pin offset, by a small change."""

    def depth(e: float) -> float:
        phi0 = np.arcsin(e / (rod + a))
        height = [a * np.cos(p) + np.sqrt(rod**2 - (a * np.sin(p) - e) ** 2) for p in (phi0, phi0 + theta)]
        return height[0] - height[1]

    return (depth(1e-4) - depth(-1e-4)) / 2e-4


def test_two_readings_of_one_thing_are_their_weighted_mean():
    """By hand: weights 1/0.25² and 1/0.5² give 104.2."""
    document = base(rod_mm=60.0, pin_offset_mm=0.0)
    fit = fit_of(document, deg("opens", "exhaust", 104.0), deg("opens", "exhaust", 105.0, doubt=0.5))
    assert [round(misfit.fitted, 2) for misfit in fit.misfits if misfit.number] == [104.2, 104.2]
    one, two = (misfit for misfit in fit.misfits if misfit.number)
    # each is a full degree from what the other says, and their difference has u = √(0.25² + 0.5²)
    assert (one.away, two.away) == pytest.approx((-1.0, 1.0), abs=0.01)
    assert one.studentised == pytest.approx(-1 / np.hypot(0.25, 0.5), rel=0.01)
    assert fit.chi_square == pytest.approx(1 / (0.25**2 + 0.5**2), rel=0.01)
    assert fit.degrees_of_freedom == pytest.approx(1.0, abs=0.01)
    assert fit.chance == pytest.approx(chi2.sf(fit.chi_square, fit.degrees_of_freedom))


def test_a_doubt_is_a_covariance():
    rng = np.random.default_rng(1)
    fit = fit_readings(job_of(drawn_job(drawn_engine(rng), rng)))
    assert isinstance(fit.doubt, EngineDoubt)
    assert np.linalg.eigvalsh(np.array(fit.doubt.covariance)).min() > 0
    assert not any(name.startswith("gasket_mm:") for name in fit.doubt.figures)


# --- with and without a gasket; rules of the trade: common practice, no source ---


def test_with_and_without_a_gasket_are_one_fit():
    """A gasket assumed to be 0.5 mm is found from squish read with it and without.

    By hand: the readings say 0.53 with u = √2 · 0.005, the assumption 0.5 with u = 0.025 (±10 %).
    """
    document = base()
    document["cylinder"] = {"base_gasket_mm": 0.5, "basis": {"base_gasket_mm": "assumed"}}
    fit = fit_of(document, mm("squish", 0.83), mm("squish", 0.3, gasket_mm=0))
    weights = np.array([1 / 5e-5, 1 / 0.025**2])
    assert fit.value("base_gasket_mm") == pytest.approx(np.average([0.53, 0.5], weights=weights), abs=1e-5)
    assert next(f for f in fit.figures if f.name == "base_gasket_mm").basis == "fitted"


def trade_engine():
    """50 by 34 mm, rod estimated, exhaust at 104°, intake at 75° before TDC, 10 thou of squish."""
    document = base()
    document["cylinder"] = {"base_gasket_mm": 0.3}
    document["readings"] = [
        deg("opens", "exhaust", 104.0),
        deg("opens", "transfer", 120.0),
        deg("opens", "intake", 285.0),
        mm("floor_height", 9.0, port="intake"),
        mm("squish", 10 * THOU_MM),
    ]
    job = job_of(document)
    return fitted_job(job, fit_readings(job))


def opening(engine, port):
    return edge_timing(engine, port).openings[0]


def test_degrees_of_the_trade():
    """104° is 152° of duration; 120 less 104 is 16 of blowdown; intake 75° before TDC is 150°."""
    job = trade_engine()
    engine, ports = engine_of(job), {port.id: port for port in port_edges_of(job)}
    assert opening(engine, ports["exhaust"]).duration_deg == pytest.approx(152, abs=0.02)
    assert opening(engine, ports["intake"]).duration_deg == pytest.approx(150, abs=0.02)
    blowdown = opening(engine, ports["transfer"]).opens_deg - opening(engine, ports["exhaust"]).opens_deg
    assert blowdown == pytest.approx(16, abs=0.02)


def test_a_thicker_gasket_by_the_rule_of_the_trade():
    """11 thou thicker: squish grows by it, crown-controlled ports open a degree sooner, the intake later."""
    job = trade_engine()
    engine, ports = engine_of(job), {port.id: port for port in port_edges_of(job)}
    thick = replace(engine, base_gasket_mm=engine.base_gasket_mm + 11 * THOU_MM)
    moved = {
        name: opening(thick, port).opens_deg - opening(engine, port).opens_deg for name, port in ports.items()
    }
    assert moved["exhaust"] == pytest.approx(-1.0, abs=0.2)
    assert moved["transfer"] == pytest.approx(-1.2, abs=0.3)
    assert moved["intake"] == pytest.approx(1.0, abs=0.2)


def test_ten_thou_at_the_exhaust_is_near_a_degree():
    """The misfit of a height is told in degrees too: 10 thou is about one."""
    fit = fit_of(
        base(rod_mm=60.0, pin_offset_mm=0.0),
        deg("opens", "exhaust", 104.0),
        mm("roof_height", 37.08 + 10 * THOU_MM, port="exhaust"),
    )
    height = next(misfit for misfit in fit.misfits if misfit.number == 2)
    assert abs(height.misfit_mm / height.misfit_deg) == pytest.approx(10 * THOU_MM, rel=0.15)


def test_readings_by_the_rule_of_the_trade_belong_together():
    """Squish 0.28 mm more and the exhaust a degree sooner over an 11 thou thicker gasket: no complaint."""
    document = base(rod_mm=60.0, pin_offset_mm=0.0, basis={"crown_height_mm": "assumed"})
    document["cylinder"] = {"base_gasket_mm": 0.3}
    fit = fit_of(
        document,
        deg("opens", "exhaust", 104.0),
        mm("squish", 0.6),
        deg("opens", "exhaust", 103.0, gasket_mm=0.58),
        mm("squish", 0.88, gasket_mm=0.58),
        mm("roof_height", 37.3, port="exhaust"),
    )
    assert not fit.suspects
    assert fit.chance > 0.05


def test_the_same_rule_with_the_wrong_sign_does_not_belong():
    document = base(rod_mm=60.0, pin_offset_mm=0.0)
    document["cylinder"] = {"base_gasket_mm": 0.3}
    fit = fit_of(document, deg("opens", "exhaust", 104.0), deg("opens", "exhaust", 105.5, gasket_mm=0.58))
    assert set(fit.suspects[0].numbers) == {1, 2}


def test_a_head_volume_grows_with_the_gasket_by_the_bore():
    """By hand: 50 mm bore, 0.3 mm more gasket is 0.589 cm³."""
    fit = fit_of(
        base(),
        {"kind": "head_volume", "value": 6.0, "unit": "cm3"},
        {"kind": "head_volume", "value": 6.589, "unit": "cm3", "gasket_mm": 0.8},
    )
    assert fit.value("head_volume_cm3") == pytest.approx(6.0, abs=0.001)


def test_a_gasket_named_by_its_size_is_as_thick_as_its_crush_was_read():
    document = base(rod_mm=60.0)
    fit = fit_of(
        document,
        mm("squish", 0.6),
        mm("gasket_crushed", 0.7, gasket_mm=0.8),
        mm("squish", 0.8, gasket_mm=0.8),
    )
    assert fit.value("gasket_mm:0.8") == pytest.approx(0.7, abs=0.002)


# --- slips ---


@pytest.mark.parametrize("row", [0, 2, 4, 6, 9, 11, 13], ids=lambda row: f"{TWENTY[row]}")
def test_a_planted_slip_is_named(row):
    rng = np.random.default_rng([8, row])
    engine = drawn_engine(rng)
    document = drawn_job(engine, rng, rod_measured=True)
    kind, where = TWENTY[row]
    u = true_reading(engine, kind, **where)[1]
    document["readings"][row]["value"] += 15 * u
    fit = fit_readings(job_of(document))
    assert row + 1 in fit.suspects[0].numbers
    assert fit.suspects[0].away == pytest.approx(15 * u, rel=0.35)
    assert abs(fit.suspects[0].studentised) > 3.5


def test_two_slips_are_both_named():
    rng = np.random.default_rng(21)
    engine = drawn_engine(rng)
    document = drawn_job(engine, rng, rod_measured=True)
    document["readings"][0]["value"] += 5.0
    document["readings"][4]["value"] -= 5.0
    fit = fit_readings(job_of(document))
    assert {suspect.numbers for suspect in fit.suspects[:2]} == {(1,), (5,)}


def test_good_readings_are_left_in_peace():
    """One false alarm in a hundred fits is meant; four in sixty have a chance below one in a thousand."""
    alarms = 0
    for number in range(60):
        rng = np.random.default_rng([91, number])
        alarms += bool(fit_readings(job_of(drawn_job(drawn_engine(rng), rng))).suspects)
    assert alarms < 4


def test_readings_that_contradict_each_other_are_named_with_how_much():
    fit = fit_of(base(rod_mm=60.0), deg("opens", "exhaust", 104.0), deg("opens", "exhaust", 108.0))
    suspect = fit.suspects[0]
    assert set(suspect.numbers) == {1, 2}
    assert abs(suspect.away) == pytest.approx(4.0, abs=0.01)
    assert "contradict one another by 4.0° (1.0" in suspect.words
    assert "Which of them is wrong they do not tell" in suspect.words


def test_a_stated_figure_that_readings_contradict_is_named():
    fit = fit_of(
        base(rod_mm=60.0, pin_offset_mm=0.0),
        deg("opens", "exhaust", 104.0),
        deg("closes", "exhaust", 256.0),
        mm("roof_height", 38.0, port="exhaust"),
        mm("roof_from_deck", 24.0, port="exhaust"),
        mm("deck_height", 62.0),
    )
    # a gasket or a stroke that is not as stated would explain it as well
    assert set(fit.suspects[0].figures) == {"crown_height_mm", "base_gasket_mm", "stroke_mm"}
    assert fit.suspects[0].numbers == ()
    assert "crown height that the job states (61 mm)" in fit.suspects[0].words


def test_a_wheel_whose_zero_is_off_is_recognised():
    rng = np.random.default_rng(12)
    engine = drawn_engine(rng)
    document = drawn_job(engine, rng, rod_measured=True)
    for reading in document["readings"]:
        if reading["unit"] == "deg":
            reading["value"] += 2.0
        elif reading["kind"] == "depth_at":
            reading["value"] = engine.depth(reading["at_deg"] - 2.0)
    notices = fit_readings(job_of(document)).notices
    assert notices[0].code == "wheel-zero"
    assert "2." in notices[0].message.split("°")[0] or "1.9" in notices[0].message.split("°")[0]
    assert "too late" in notices[0].message


def test_what_nothing_checks_is_said():
    fit = fit_of(base(), {"kind": "case_volume", "value": 150.0, "unit": "cm3"})
    only = next(misfit for misfit in fit.misfits if misfit.number == 1)
    assert only.studentised is None
    assert only.checked == pytest.approx(0, abs=1e-3)
    assert np.isnan(fit.chance)


def test_a_reading_may_be_left_out():
    document = base(rod_mm=60.0, readings=None)
    document["engine"].pop("readings")
    readings = deg("opens", "exhaust", 104.0), deg("opens", "exhaust", 108.0)
    fit = fit_of(document, *readings, without=[2])
    assert fit.left_out == (2,)
    assert not fit.suspects


# --- what is open ---


def test_degrees_alone_leave_the_crown_height_open_and_a_roofs_height_settles_it():
    document = base(rod_mm=60.0, pin_offset_mm=0.0, basis={"crown_height_mm": "assumed"})
    readings = [deg("opens", "exhaust", 104.0), deg("opens", "transfer", 120.0)]
    fit = fit_of(document, *readings)
    assert fit.determined == fit.unknown - 1
    loose = fit.loose[0]
    assert set(loose.figures) == {"crown_height_mm", "roof_mm:exhaust", "roof_mm:transfer"}
    assert loose.kind == "roof_height"
    assert "roof's height above the base" in loose.settle
    assert {figure.basis for figure in fit.figures if figure.name in loose.figures} == {"assumed"}
    settled = fit_of(document, *readings, mm("roof_height", 37.0, port=loose.port))
    assert settled.loose == ()
    assert {figure.basis for figure in settled.figures if figure.name in loose.figures} == {"fitted"}


def test_a_guessed_rod_is_open_and_depths_at_a_degree_settle_it():
    document = base(pin_offset_mm=0.0, basis={"crown_height_mm": "assumed"})
    readings = [deg("opens", "exhaust", 104.0), mm("roof_height", 37.08, port="exhaust")]
    loose = fit_of(document, *readings).loose
    assert [each.figures[0] for each in loose] == ["rod_mm"]
    assert loose[0].kind == "depth_at"
    settled = fit_of(document, *readings, mm("depth_at", 19.46, at_deg=90.0, doubt=0.01))
    assert settled.loose == ()
    assert next(f for f in settled.figures if f.name == "rod_mm").basis == "fitted"


def test_basis_tells_measured_fitted_and_assumed_apart():
    document = base(basis={"crown_height_mm": "assumed"})
    fit = fit_of(document, deg("opens", "exhaust", 104.0), mm("roof_height", 37.08, port="exhaust"))
    basis = {figure.name: figure.basis for figure in fit.figures}
    assert basis["bore_mm"] == basis["stroke_mm"] == "measured"
    assert basis["rod_mm"] == basis["pin_offset_mm"] == "assumed"
    assert basis["roof_mm:exhaust"] == "fitted"


# --- into the job ---


def test_the_fitted_job_holds_figures_heights_and_doubts():
    rng = np.random.default_rng(5)
    engine = drawn_engine(rng)
    job = job_of(drawn_job(engine, rng, rod_measured=True))
    fit = fit_readings(job)
    found = fitted_job(job, fit)
    known = engine_of(found)
    assert known.crown_height_mm == pytest.approx(engine.crown, abs=0.2)
    assert known.doubt.figures == fit.doubt.figures
    assert found.engine.basis["crown_height_mm"] == "fitted"
    edges = {edge.id: edge for edge in found.edges}
    assert set(edges) == {"exhaust", "transfer", "intake"}
    assert edges["exhaust"].roof_mm == pytest.approx(engine.roofs["exhaust"], abs=0.1)
    assert edges["exhaust"].roof_u_mm == pytest.approx(fit.doubt.u("roof_mm:exhaust"), abs=1e-6)
    assert job_of(document_of(found)) == found


@pytest.mark.parametrize("rod_measured", [True, False])
def test_fitting_what_was_written_changes_nothing(rod_measured):
    rng = np.random.default_rng(6)
    job = job_of(drawn_job(drawn_engine(rng), rng, rod_measured=rod_measured))
    first = fit_readings(job)
    written = fitted_job(job, first)
    again = fit_readings(written)
    for figure in first.figures:
        # the guessed crown height held it a little, the first time; a hundredth of its doubt
        assert again.value(figure.name) == pytest.approx(figure.value, abs=0.02 * figure.u), figure.name
    third = fit_readings(fitted_job(written, again))
    for figure in again.figures:
        assert third.value(figure.name) == pytest.approx(figure.value, abs=1e-3 * figure.u), figure.name
    assert len(fitted_job(written, again).readings) == len(written.readings)


def test_a_measured_figure_that_is_fitted_stays_as_a_reading():
    document = base(rod_mm=60.0, pin_offset_mm=0.0)
    job = job_of({
        **document,
        "readings": [mm("squish", 0.81), mm("squish", 0.3, gasket_mm=0)],
    })  # fmt: skip
    found = fitted_job(job, fit_readings(job))
    kept = [entry for entry in found.readings if entry.kind == "gasket_crushed"]
    assert [(entry.value, entry.tool) for entry in kept] == [(0.5, "caliper")]
    assert found.cylinder.basis["base_gasket_mm"] == "fitted"


def test_readings_of_a_mapped_port_find_the_crown_height_and_leave_the_map():
    document = sample()
    document["engine"]["basis"] = {"crown_height_mm": "assumed"}
    document["engine"]["crown_height_mm"] = 60.8
    document["readings"] = [deg("opens", "exhaust", 98.9), deg("closes", "exhaust", 261.1)]
    job = job_of(document)
    fit = fit_readings(job)
    crown = next(figure for figure in fit.figures if figure.name == "crown_height_mm")
    assert crown.basis == "fitted"
    assert crown.u < 0.1
    assert fit.value("roof_mm:exhaust") == pytest.approx(40.0, abs=0.01)  # the outline is surer
    found = fitted_job(job, fit)
    assert found.maps == job.maps
    assert found.edges == ()
    assert "roof_mm:exhaust" in found.engine.doubt.figures


def test_contradicting_readings_are_not_written():
    document = base(rod_mm=60.0)
    document["readings"] = [deg("opens", "exhaust", 104.0), deg("opens", "exhaust", 108.0)]
    job = job_of(document)
    with pytest.raises(
        JobError, match=r"contradict one another by 4\.0°.*; read one of them again"
    ) as caught:
        fitted_job(job, fit_readings(job))
    assert "\n" not in str(caught.value)


def test_figures_that_make_no_engine_are_not_written():
    document = base(rod_mm=60.0, basis={"crown_height_mm": "assumed"})
    document["readings"] = [
        mm("floor_height", 39.0, port="exhaust"),
        mm("roof_height", 38.0, port="exhaust"),
        deg("opens", "exhaust", 104.0),
    ]
    job = job_of(document)
    with pytest.raises(JobError, match="do not make an engine: the roof at 38 mm is not above the floor"):
        fitted_job(job, fit_readings(job))


# --- bad input ---


@pytest.mark.parametrize(
    ("readings", "how", "message"),
    [
        ([], {}, "the job has no readings; add some"),
        ([deg("opens", "exhaust", 104.0)], {"without": [2]}, "no reading 2; the job has readings 1 to 1"),
        ([deg("opens", "exhaust", 104.0)], {"without": [1]}, "none of the readings tells"),
        ([mm("gasket", 0.5)], {}, "none of the readings tells"),
        ([deg("opens", "strato", 60.0)], {}, "port strato: a pocket controls this port but its edges"),
        ([deg("opens", "exhaust", 104.0)] * 1001, {}, "more than one fit takes"),
    ],
    ids=["none", "without one that is not there", "without all", "none to fit", "pocket", "too many"],
)  # fmt: skip
def test_what_cannot_be_fitted_is_refused(readings, how, message):
    with pytest.raises(PortmapError, match=message):
        fit_of(base(), *readings, **how)


def test_a_crushed_gasket_where_none_is_fitted_has_no_part():
    document = base()
    document["cylinder"] = {"base_gasket_mm": 0.0}
    fit = fit_of(document, mm("gasket_crushed", 0.45), mm("squish", 0.6))
    assert fit.left_out == (1,)
    assert "no part in the fit" in fit.notices[0].message


def test_a_pressure_has_no_part_in_the_fit():
    fit = fit_of(base(), {"kind": "cranking_pressure", "value": 10.5, "unit": "bar"}, mm("squish", 0.6))
    assert fit.left_out == (1,)


def test_figures_are_not_counted_twice():
    """A figure that was fitted from readings is no measurement of its own."""
    document = copy.deepcopy(base(rod_mm=60.0, basis={"crown_height_mm": "fitted"}))
    document["readings"] = [mm("squish", 0.6)]
    job = job_of(document)
    holds = {figure.name: figure.hold for figure in figures_of(job, readings_of(job), reading_ports(job))}
    assert holds["crown_height_mm"] == "loose"
    assert holds["stroke_mm"] == "measured"


def test_what_nobody_measured_is_not_doubted_by_more_than_its_length():
    """A skirt and its floor known only by their sum: one is assumed, and the sum stays sure."""
    document = base(rod_mm=60.0, pin_offset_mm=0.0)
    fit = fit_of(document, deg("opens", "intake", 285.0))
    figures = {figure.name: figure for figure in fit.figures}
    skirt, floor = figures["skirt_length_mm"], figures["floor_mm:intake"]
    assert skirt.basis == floor.basis == "assumed"
    assert skirt.u == pytest.approx(0.05 * skirt.value, rel=0.01)  # ±10 % is two of them
    names = fit.doubt.figures
    table = np.array(fit.doubt.covariance)
    along = np.isin(names, ["skirt_length_mm", "floor_mm:intake"]).astype(float)
    assert np.sqrt(along @ table @ along) < 0.1
    assert {"skirt_length_mm", "floor_mm:intake"} == set(fit.loose[0].figures)


def test_one_assumption_is_not_confirmed_by_others():
    """A crown height assumed within ±10 % stays so, however many degrees hang on it."""
    document = base(rod_mm=60.0, pin_offset_mm=0.0, basis={"crown_height_mm": "assumed"})
    fit = fit_of(
        document,
        deg("opens", "exhaust", 104.0),
        deg("opens", "transfer", 120.0),
        deg("opens", "intake", 285.0),
        mm("squish", 0.5),
    )
    assert fit.doubt.u("crown_height_mm") == pytest.approx(0.05 * 61.0, rel=0.01)


@pytest.mark.parametrize(("before", "codes"), [(0.6, []), (0.5, []), (0.4, ["gasket-grew"])])
def test_a_gasket_does_not_grow(before, codes):
    fit = fit_of(base(), mm("gasket", before), mm("squish", 0.8), mm("squish", 0.3, gasket_mm=0))
    assert [notice.code for notice in fit.notices] == codes


def test_a_pockets_degrees_are_those_of_the_slider_crank():
    """A pocket opens its port through TDC: by hand, from its upper edge to the floor, both ways."""
    document = sample()
    document["maps"][0]["ports"].append(
        {
            "id": "air",
            "kind": "strato",
            "control": "pocket",
            "pocket": {"top_below_crown_mm": 30.0, "bottom_below_crown_mm": 45.0},
            "windows": [{"outline_mm": [[40.0, 17.0], [55.0, 17.0], [55.0, 22.0], [40.0, 22.0]]}],
        }
    )
    # crown at TDC 60.6 above the base; the floor at 17 is passed by the pocket's upper edge at 60.6 - 30 - 17
    depth, a, rod = 13.6, 16.0, 58.0
    degree = brentq(
        lambda t: rod + a - a * np.cos(t) - np.sqrt(rod**2 - (a * np.sin(t)) ** 2) - depth, 0.1, 3.0
    )
    degrees = float(np.degrees(degree))
    document["readings"] = [deg("closes", "air", degrees), deg("opens", "air", 360.0 - degrees)]
    fit = fit_readings(job_of(document))
    assert [misfit.misfit for misfit in fit.misfits if misfit.number] == pytest.approx([0, 0], abs=1e-6)
    assert "floor_mm:air" in fit.doubt.figures


@pytest.mark.parametrize("seed", range(12))
def test_doing_what_is_advised_settles_everything(seed):
    """From a few readings of an engine, the readings that the fit asks for, one after the other."""
    rng = np.random.default_rng([5, seed])
    engine = drawn_engine(rng)
    some = rng.choice(len(TWENTY), size=int(rng.integers(1, 7)), replace=False)
    document = drawn_job(engine, rng, plan=tuple(TWENTY[number] for number in some))
    fit = fit_readings(job_of(document))
    for _ in range(12):
        assert all(np.isfinite(figure.value) and figure.u > 0 for figure in fit.figures)
        assert np.linalg.eigvalsh(np.array(fit.doubt.covariance)).min() > 0
        if not fit.loose:
            break
        first = fit.loose[0]
        assert first.kind is not None, first
        where = {"port": first.port} if first.port else {}
        if first.kind == "depth_at":
            where["at_deg"] = 90.0
        value, u, unit = true_reading(engine, first.kind, **where)
        document["readings"].append(
            {"kind": first.kind, **where, "value": value + rng.normal(0, u), "unit": unit}
        )
        fit = fit_readings(job_of(document))
    assert fit.loose == ()


@pytest.mark.parametrize(("slip_deg", "told"), [(0.3, False), (2.0, True), (-2.0, True)])
def test_a_small_slip_of_the_wheel_is_within_what_it_is_good_for(slip_deg, told):
    rng = np.random.default_rng(30)
    engine = drawn_engine(rng)
    document = drawn_job(engine, rng, noise=0.0, rod_measured=True)
    for reading in document["readings"]:
        if reading["unit"] == "deg":
            reading["value"] += slip_deg
    job = job_of(document)
    fit = fit_readings(job)
    assert ("wheel-zero" in [notice.code for notice in fit.notices]) is told
    if told:
        with pytest.raises(JobError, match=r"readings: All degrees seem to be .*; find TDC again, and read"):
            fitted_job(job, fit)
