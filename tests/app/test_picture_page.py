"""The page Picture without a browser: what it offers, refuses, and puts into the job."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from portmap.engine import angle_at_crown_height
from portmap.job import engine_of, job_of, port_map_of, read_job
from portmap.picture.scaled import ScaledImage, write_scaled
from portmap.picture.trace import trace
from portmap.port import wall_area
from portmap.shown import unit_system
from tests.app.opened import job_file, opened_page
from tests.sample_job import sample

WORK = "picture.work"
AREA_MM2 = 1e-3  # corners in a file are rounded to a hundred-thousandth of a millimetre


def drawn_sheet() -> ScaledImage:
    """A sheet with two dark rectangles, 0.1 mm a pixel: 28 × 12 mm in the middle, 8 × 9 mm to the right."""
    pixels = np.full((600, 900, 3), 225, np.uint8)
    pixels[200:320, 310:590] = 60
    pixels[230:320, 700:780] = 60
    rng = np.random.default_rng(5)
    noisy = np.clip(pixels + rng.normal(0, 2, pixels.shape), 0, 255).astype(np.uint8)
    return ScaledImage(pixels=noisy, mm_per_px=0.1, x0_mm=-45.0, y0_mm=60.0, source={"file": "drawn"})


def laid_out(at: AppTest) -> AppTest:
    """The sheet traced and laid on the table, as after a photo was measured."""
    from portmap.app.picturing.work import work_of_image

    image = drawn_sheet()
    at.session_state[WORK] = work_of_image(image, trace(image, lift="filled"), name="drawn.png")
    return at.run()


def button(at: AppTest, key: str) -> Any:
    return next(one for one in at.button if one.key == key)


def test_without_a_job_the_page_begins_with_card_and_photo(tmp_path: Path) -> None:
    at = opened_page("picture", tmp_path)
    assert not at.exception
    assert {"1 Card to print", "2 Photo"} <= {one.label for one in at.expander}
    assert not at.error


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_a_jobs_own_outlines_are_shown_with_the_librarys_figures(tmp_path: Path, units: str) -> None:
    place = job_file(tmp_path)
    at = opened_page("picture", tmp_path, job=place, units=units)
    assert not at.exception
    job = read_job(place)
    highest = max(
        (window for port in port_map_of(job).ports for window in port.windows),
        key=lambda window: float(window.outline.bounds[3]),
    )
    roof = highest.outline.bounds[3]
    text = unit_system(units).lengths(roof, None if highest.doubt is None else highest.doubt.roof_u_mm)
    degree = float(angle_at_crown_height(engine_of(job), roof))
    shown = " ".join(one.body if hasattr(one, "body") else "" for one in at.get("html"))
    assert text in shown
    assert f"{degree:.2f}" in shown


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        pytest.param("notes.jpg", b"not a picture at all", "notes.jpg", id="no picture"),
        pytest.param("cut.jpg", b"\xff\xd8\xff\xe0" + b"\0" * 40, "cut.jpg", id="cut off"),
    ],
)
def test_a_wrong_file_is_refused_in_a_sentence(tmp_path: Path, name: str, content: bytes, words: str) -> None:
    at = opened_page("picture", tmp_path)
    at.file_uploader(key="photo files").set_value([(name, content, "image/jpeg")]).run()
    next(one for one in at.button if one.label == "Measure this photo").click().run()
    assert not at.exception
    assert words in at.error[0].value.replace("\\", "")


def test_a_photo_without_a_card_is_refused_and_says_what_to_do(tmp_path: Path) -> None:
    packed = io.BytesIO()
    Image.new("RGB", (900, 700), (200, 200, 200)).save(packed, "JPEG")
    at = opened_page("picture", tmp_path)
    at.file_uploader(key="photo files").set_value([("wall.jpg", packed.getvalue(), "image/jpeg")]).run()
    next(one for one in at.button if one.label == "Measure this photo").click().run()
    assert not at.exception
    assert "card" in at.error[0].value


def test_a_traced_sheet_goes_into_the_open_job_with_the_areas_that_were_measured(tmp_path: Path) -> None:
    place = job_file(tmp_path)
    at = laid_out(opened_page("picture", tmp_path, job=place))
    assert not at.exception
    button(at, "into go").click().run()
    assert not at.exception
    ports = port_map_of(read_job(place), "stock").ports
    work = at.session_state[WORK]
    assert sum(wall_area(port) for port in ports) == pytest.approx(
        sum(window.outline.area for window in work.traced.values()), abs=AREA_MM2
    )
    assert (work.windows[0].kind, work.windows[0].name) == ("exhaust", "exhaust")
    assert any("windows are in the job" in one.value.replace("\\", "") for one in at.success)


def test_a_window_that_the_job_knows_keeps_its_name(tmp_path: Path) -> None:
    document = sample()
    (exhaust,) = [port for port in document["maps"][0]["ports"] if port["id"] == "exhaust"]
    exhaust["id"] = "big one"
    write_scaled(drawn_sheet(), tmp_path / "flat.png")
    at = opened_page("picture", tmp_path, job=job_file(tmp_path, job_of(document)))
    at.radio(key="photo way").set_value("kept").run()
    next(one for one in at.button if one.label == "Take it up").click().run()
    assert not at.exception
    first, second = at.session_state[WORK].windows
    assert (first.kind, first.name) == ("exhaust", "big one")
    assert second.name not in {"big one", "exhaust"}


def test_an_outline_edited_by_hand_reaches_the_job_with_its_doubt(tmp_path: Path) -> None:
    place = job_file(tmp_path)
    at = laid_out(opened_page("picture", tmp_path, job=place))
    work = at.session_state[WORK]
    raised = [
        {
            "id": one.id,
            "name": one.name,
            "kind": one.kind,
            "stage": one.stage,
            "rings": [[[x, y + (1.5 if one.id == "1" and y > 35 else 0)] for x, y in one.rings[0]]],
        }
        for one in work.windows
    ]
    before = max(y for _, y in work.windows[0].rings[0])
    at.session_state["picture.editor"] = {
        "edit": {"store": work.store, "base": "x", "seq": 7, "windows": raised},
        "measure": None,
    }
    at.run()
    button(at, "into go").click().run()
    assert not at.exception
    job = read_job(place)
    port = next(one for one in port_map_of(job, "stock").ports if one.kind == "exhaust")
    assert port.windows[0].outline.bounds[3] == pytest.approx(before + 1.5, abs=1e-4)
    doubt, traced = port.windows[0].doubt, work.traced["1"].doubt
    assert doubt is not None
    assert doubt.roof_u_mm > traced.roof_u_mm
    assert doubt.floor_u_mm == pytest.approx(traced.floor_u_mm, abs=1e-5)
    stock = next(entry for entry in job.maps if entry.stage == "stock")
    assert "edited-by-hand" in {notice.code for notice in stock.warnings}


def test_an_outline_that_crosses_itself_is_not_put_into_the_job(tmp_path: Path) -> None:
    place = job_file(tmp_path)
    content = place.read_bytes()
    at = laid_out(opened_page("picture", tmp_path, job=place))
    work = at.session_state[WORK]
    crossed = {"id": "1", "name": "exhaust", "kind": "exhaust", "stage": "stock"}
    crossed["rings"] = [[[0, 30], [10, 38], [10, 30], [0, 38]]]
    at.session_state["picture.editor"] = {
        "edit": {"store": work.store, "base": "x", "seq": 3, "windows": [crossed]},
        "measure": None,
    }
    at.run()
    assert any("crosses itself" in one.value for one in at.error)
    button(at, "into go").click().run()
    assert not at.exception
    assert place.read_bytes() == content


@pytest.mark.parametrize(
    "edit",
    [
        pytest.param({"store": "another", "seq": 9, "windows": []}, id="of another picture"),
        pytest.param({"store": None, "seq": "x", "windows": []}, id="without a number"),
        pytest.param({"store": None, "seq": 9, "windows": [{"id": "1"}]}, id="without rings"),
        pytest.param(
            {
                "store": None,
                "seq": 9,
                "windows": [{"id": "1", "name": "a", "kind": "?", "stage": "stock", "rings": []}],
            },
            id="of no kind",
        ),
    ],
)
def test_what_a_browser_may_send_wrongly_changes_nothing(tmp_path: Path, edit: dict[str, Any]) -> None:
    at = laid_out(opened_page("picture", tmp_path, job=job_file(tmp_path)))
    work = at.session_state[WORK]
    if edit["store"] is None:
        edit = {**edit, "store": work.store}
    at.session_state["picture.editor"] = {"edit": edit, "measure": None}
    at.run()
    assert not at.exception
    assert len(at.get("bidi_component")) == 1


def test_a_job_is_started_with_the_outlines(tmp_path: Path) -> None:
    at = laid_out(opened_page("picture", tmp_path))
    assert not at.exception
    at.text_input(key="into name").set_value("Water pump")
    for field, text in {"bore_mm": "46", "stroke_mm": "32", "crown_height_mm": "61"}.items():
        at.text_input(key=f"into {field}").set_value(text)
    next(one for one in at.button if one.label == "Start the job").click().run()
    assert not at.exception
    made = next(tmp_path.glob("*.json"))
    job = read_job(made)
    assert job.name == "Water pump"
    assert {port.kind for port in port_map_of(job).ports} >= {"exhaust"}


def test_a_kind_chosen_stays_with_edits_made_by_hand(tmp_path: Path) -> None:
    at = laid_out(opened_page("picture", tmp_path, job=job_file(tmp_path)))
    work = at.session_state[WORK]
    second = work.windows[1]
    moved = [
        {
            "id": w.id,
            "name": w.name,
            "kind": w.kind,
            "stage": w.stage,
            "rings": [[[x + 1, y] for x, y in w.rings[0]]],
        }
        for w in work.windows
    ]
    at.session_state["picture.editor"] = {
        "edit": {"store": work.store, "base": "x", "seq": 2, "windows": moved},
        "measure": None,
    }
    key = f"kind {work.store} {second.id} {second.kind}"
    at.selectbox(key=key).select("boost").run()
    assert not at.exception
    now = at.session_state[WORK].windows
    assert now[1].kind == "boost"
    assert now[1].rings[0][0][0] == pytest.approx(second.rings[0][0][0] + 1)


def test_the_scaled_picture_is_kept_and_taken_up_again(tmp_path: Path) -> None:
    at = laid_out(opened_page("picture", tmp_path))
    button(at, "keep picture").click().run()
    assert (tmp_path / "drawn-flat.png").exists()
    button(at, "put away").click().run()
    assert WORK not in at.session_state
    at.radio(key="photo way").set_value("kept").run()
    next(one for one in at.button if one.label == "Take it up").click().run()
    assert not at.exception
    assert len(at.session_state[WORK].traced) == 2


def drawn_photo(name: str = "scan.png") -> tuple[str, bytes, str]:
    """The drawn sheet as somebody's scan."""
    packed = io.BytesIO()
    Image.fromarray(drawn_sheet().pixels).save(packed, "PNG")
    return name, packed.getvalue(), "image/png"


def by_hand(at: AppTest, measure: dict[str, Any] | None, length: str) -> AppTest:
    """The scan, two marks in it, and what was typed."""
    at.radio(key="photo way").set_value("hand").run()
    at.file_uploader(key="photo files").set_value([drawn_photo()]).run()
    at.session_state["hand editor"] = {"edit": None, "measure": measure}
    at.text_input(key="hand length").set_value(length)
    at.text_input(key="hand height").set_value("28 mm")
    next(one for one in at.button if one.label == "Take this scale").click().run()
    return at


@pytest.mark.parametrize(("units", "typed"), [("mm", "28"), ("mm", "28 mm"), ("inch", f"{28 / 25.4:.5f}")])
def test_a_scan_gets_its_scale_from_one_known_length(tmp_path: Path, units: str, typed: str) -> None:
    # the dark rectangle is 280 pixels wide: 28 mm along its lower edge, from outer corner to outer corner
    at = opened_page("picture", tmp_path, units=units)
    by_hand(at, {"from": [310.0, -320.0], "to": [590.0, -320.0]}, typed)
    assert not at.exception
    assert not at.error
    work = at.session_state[WORK]
    assert work.image.mm_per_px == pytest.approx(0.1, rel=1e-5)
    widest = max(work.traced.values(), key=lambda window: window.outline.area).outline.bounds
    assert widest[2] - widest[0] == pytest.approx(28.0, abs=0.05)  # half a pixel
    assert widest[1] == pytest.approx(28.0, abs=0.05)
    assert "scaled-by-hand" in {notice.code for notice in work.notices}


@pytest.mark.parametrize(
    ("measure", "typed", "words"),
    [
        pytest.param(None, "28", "Mark both ends first", id="no marks"),
        pytest.param({"from": [310, -320], "to": [590, -320]}, "", "length", id="no length"),
        pytest.param({"from": [310, -320], "to": [590, -320]}, "wide", "wide", id="no figure"),
        pytest.param({"from": [310, -320], "to": [330, -320]}, "2", "pixels apart", id="too near"),
    ],
)
def test_a_scale_that_cannot_be_is_refused(
    tmp_path: Path, measure: dict[str, Any] | None, typed: str, words: str
) -> None:
    at = by_hand(opened_page("picture", tmp_path), measure, typed)
    assert not at.exception
    said = " ".join(one.value for one in [*at.error, *at.warning]).replace("\\", "")
    assert words in said
    assert WORK not in at.session_state


def test_bore_photos_without_a_card_are_refused(tmp_path: Path) -> None:
    at = opened_page("picture", tmp_path)
    at.radio(key="photo way").set_value("bore").run()
    at.file_uploader(key="photo files").set_value([drawn_photo("bore.png")]).run()
    at.text_input(key="photo bore").set_value("46 mm")
    next(one for one in at.button if one.label == "Unroll the wall").click().run()
    assert not at.exception
    assert at.error
    assert WORK not in at.session_state


@pytest.mark.parametrize("kind", ["flat", "ring", "strip"])
def test_each_card_is_there_to_print(tmp_path: Path, kind: str) -> None:
    at = opened_page("picture", tmp_path)
    at.radio(key="card kind").set_value(kind).run()
    if kind != "flat":
        at.text_input(key="card bore mm").set_value("46").run()
    assert not at.exception
    assert len(at.get("download_button")) == 1
