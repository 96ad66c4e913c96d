"""A job made of a traced map: which windows are which port, stated or guessed, and the sheet's thickness."""

import math

import pytest

from portmap.assign import Assignment, assignment_of, control_of, numbers_of
from portmap.errors import JobError, QuantityError
from portmap.job import engine_of, port_map_of
from portmap.job_new import new_job
from portmap.map_file import map_of, traced_document, window_document
from portmap.port import Window, WindowDoubt, wall_area, window_polygon
from tests.sample_job import box, sample, traced_map

ENGINE = {"engine": sample()["engine"], "cylinder": sample()["cylinder"], "name": "invented"}


def made(*assign: str, control: tuple[str, ...] = (), document: dict | None = None, **options):
    job, notices = new_job(
        map_of(document or traced_map()),
        ENGINE,
        assignments=[assignment_of(text) for text in assign],
        controls=[control_of(text) for text in control],
        **options,
    )
    return job, {notice.code: notice.message for notice in notices}


def kinds(job) -> dict[str, tuple[str, int, bool]]:
    return {port.id: (port.kind, len(port.windows), port.kind_guessed) for port in port_map_of(job).ports}


# --- what is typed ---


@pytest.mark.parametrize(
    ("text", "assignment"),
    [
        ("1=exhaust", Assignment(numbers=("1",), kind="exhaust")),
        ("2,3=transfer:main", Assignment(numbers=("2", "3"), kind="transfer", name="main")),
        (" 4-6 , 8 = boost : rear ", Assignment(numbers=("4", "5", "6", "8"), kind="boost", name="rear")),
        ("left=other", Assignment(numbers=("left",), kind="other")),
    ],
)
def test_assignments(text, assignment):
    assert assignment_of(text) == assignment


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "says nothing; write NUMBERS=KIND, as in 2,3=transfer"),
        ("1", "says nothing"),
        ("=exhaust", "says nothing"),
        ("1=exhaust:", "says nothing"),
        ("1=exaust", "'exaust' is not a kind of port; did you mean exhaust?"),
        ("1=window", "choose one of exhaust, transfer, boost, intake, strato, other"),
        ("6-4=boost", "'6-4' in '6-4=boost' runs backwards; write 4-6"),
    ],
)
def test_assignments_that_say_nothing_are_refused(text, message):
    with pytest.raises(QuantityError, match=message.replace("?", r"\?")):
        assignment_of(text)


@pytest.mark.parametrize(
    ("text", "message"),
    [("intake", "write PORT=crown, skirt, pocket or none"), ("intake=skrit", "did you mean intake=skirt")],
)
def test_controls_that_say_nothing_are_refused(text, message):
    with pytest.raises(QuantityError, match=message):
        control_of(text)


def test_window_numbers():
    assert numbers_of("1, 4-6", where="--keep") == [1, 4, 5, 6]
    with pytest.raises(QuantityError, match=r"--keep: 'a' does not name windows; write their numbers"):
        numbers_of("a", where="--keep")


# --- ports ---


def test_what_is_assigned_is_stated_and_not_guessed():
    job, said = made("3=exhaust", "2,4=transfer", "1=intake")
    assert kinds(job) == {
        "exhaust": ("exhaust", 1, False),
        "transfer": ("transfer", 2, False),
        "intake": ("intake", 1, False),
    }
    assert "kind-guessed" not in said
    assert [port.control for port in port_map_of(job).ports] == ["crown", "crown", "skirt"]


def test_what_is_not_assigned_is_guessed_and_says_so():
    job, said = made()
    assert kinds(job) == {
        "exhaust": ("exhaust", 1, True),
        "transfer": ("transfer", 2, True),
        "intake": ("intake", 1, True),
    }
    assert said["kind-guessed"] == (
        "Guessed from their places, check it or say it with --assign: window 3 as exhaust;"
        " window 1 as intake; windows 2, 4 as transfer."
    )
    assert [entry.code for entry in job.maps[0].warnings] == ["kind-guessed", "sheet-thickness-unknown"]


def map_of_boxes(*boxes) -> dict:
    windows = {number: Window(outline=window_polygon(outline)) for number, outline in enumerate(boxes, 1)}
    return traced_document(windows, source={})


# half round a 46 mm bore is 72.3 mm; what lies beyond 54.2 mm is opposite the exhaust
GUESSES = {
    "a bridged exhaust": (
        [box(-15, 28, -2, 40), box(2, 28, 15, 40.5)],
        {"exhaust": ("exhaust", 2, True)},
    ),
    "two pairs of transfers, from the exhaust's side round": (
        [
            box(-14, 28, 14, 40),
            box(20, 28, 30, 36),
            box(-30, 28, -20, 36),
            box(34, 28, 44, 35),
            box(-44, 28, -34, 35),
        ],
        {
            "exhaust": ("exhaust", 1, True),
            "transfer-1": ("transfer", 2, True),
            "transfer-2": ("transfer", 2, True),
        },
    ),
    "a boost port and an intake under it": (
        [box(-14, 28, 14, 40), box(64, 28, 78, 36), box(60, 8, 84, 17)],
        {"exhaust": ("exhaust", 1, True), "boost": ("boost", 1, True), "intake": ("intake", 1, True)},
    ),
    "an opening below the exhaust is not called anything": (
        [box(-14, 28, 14, 40), box(-5, 8, 5, 12)],
        {"exhaust": ("exhaust", 1, True), "other-1": ("other", 1, True)},
    ),
    "only one side was lifted": (
        [box(-14, 28, 14, 40), box(20, 28, 30, 36)],
        {"exhaust": ("exhaust", 1, True), "transfer": ("transfer", 1, True)},
    ),
}


@pytest.mark.parametrize(("boxes", "ports"), GUESSES.values(), ids=GUESSES)
def test_guesses_by_place(boxes, ports):
    assert kinds(made(document=map_of_boxes(*boxes))[0]) == ports


def test_a_name_makes_a_port_of_its_own():
    boxes = [box(-14, 28, 14, 40), box(20, 28, 30, 36), box(-30, 28, -20, 36), box(34, 28, 44, 35)]
    job, _ = made("2,3=transfer:main", "4=transfer:side", document=map_of_boxes(*boxes))
    assert kinds(job) == {
        "exhaust": ("exhaust", 1, True),
        "main": ("transfer", 2, False),
        "side": ("transfer", 1, False),
    }


def test_a_map_that_says_what_its_ports_are_is_believed():
    document = traced_map()
    document["ports"][3] |= {"id": "left", "kind": "transfer", "mirror": True}
    document["ports"].pop(1)
    job, _ = made(document=document)
    assert kinds(job)["left"] == ("transfer", 2, False)


def test_controls_by_kind_and_by_name():
    job, _ = made("2,4=transfer:main", control=("intake=none", "main=skirt"))
    assert {port.id: port.control for port in port_map_of(job).ports} == {
        "exhaust": "crown",
        "main": "skirt",
        "intake": "none",
    }


REFUSED = {
    "no such window": (["9=exhaust"], (), "there is no window '9' in the map; it has 1, 2, 3, 4"),
    "twice": (["1,2=intake", "2=transfer"], (), "window 2 is assigned twice"),
    "one name, two kinds": (["1=intake:a", "2=transfer:a"], (), "'a' is to be both intake and transfer"),
    "no such port": ([], ("reed=none",), "there is no port or kind 'reed' in the map; it has exhaust"),
}


@pytest.mark.parametrize(("assign", "control", "message"), REFUSED.values(), ids=REFUSED)
def test_what_the_map_has_not_is_refused(assign, control, message):
    with pytest.raises(QuantityError, match=message):
        made(*assign, control=control)


def test_a_name_that_cannot_be_one_is_a_fault_with_its_path():
    with pytest.raises(JobError, match=r"maps\[0\]\.ports\[\d\]\.id: 'a/b' cannot be a name"):
        made("1=intake:a/b")


# --- the engine ---


def test_the_engine_may_stand_flat_or_nested_or_come_from_another_job():
    flat = {**ENGINE["engine"], **ENGINE["cylinder"], "name": "invented"}
    jobs = [new_job(map_of(traced_map()), document)[0] for document in (ENGINE, flat, sample())]
    assert jobs[0] == jobs[1]
    assert engine_of(jobs[2]) == engine_of(jobs[0])
    assert jobs[2].name == sample()["name"]


@pytest.mark.parametrize(
    ("document", "message"),
    [
        ([], "--engine: the engine file holds no object"),
        ({"bor_mm": 46}, "'bor_mm' is not a figure of an engine; did you mean bore_mm"),
        ({"engine": {"bore_mm": 46}, "bore_mm": 46}, "bore_mm stands twice"),
        ({"bore_mm": 46, "stroke_mm": 32}, "engine.crown_height_mm: is missing"),
        ({"engine": {"bore_mm": 46, "stroke_mm": 32, "crown_height_mm": 61, "rod_mm": 15}}, "too short"),
    ],
    ids=["a list", "unknown", "twice", "missing", "nonsense"],
)
def test_engines_that_are_none(document, message):
    with pytest.raises(JobError, match=message):
        new_job(map_of(traced_map()), document)


# --- the sheet's thickness ---


def test_a_thick_sheet_is_widened_and_its_heights_are_left():
    thin, said = made()
    thick, said_of_thick = made(sheet_thickness_mm=0.1)
    # R/(R − t/2) = 23/22.95, by hand
    ratio = 23 / 22.95
    for before, after in zip(port_map_of(thin).ports, port_map_of(thick).ports, strict=True):
        assert wall_area(after) == pytest.approx(wall_area(before) * ratio, rel=1e-6)
        assert after.windows[0].outline.bounds[1::2] == before.windows[0].outline.bounds[1::2]
    assert "0.22 %" in said["sheet-thickness-unknown"]
    assert "sheet-thickness-unknown" not in said_of_thick
    assert thick.maps[0].source["wall_x_factor"] == pytest.approx(ratio)


def test_a_sheet_is_corrected_once_only():
    document = traced_map()
    document["source"] = {"wall_x_factor": 1.002, "sheet_thickness_mm": 0.1, "bore_mm": 46.0}
    job, said = made(document=document)
    assert wall_area(port_map_of(job).ports[0]) == pytest.approx(28 * 12)
    assert "sheet-thickness-unknown" not in said
    with pytest.raises(
        QuantityError, match=r"--sheet-thickness: the map was corrected .* when it was traced"
    ):
        made(document=document, sheet_thickness_mm=0.1)


def test_a_map_corrected_for_another_bore_is_doubtful():
    document = traced_map() | {"source": {"wall_x_factor": 1.002, "bore_mm": 40.0}}
    assert made(document=document)[1]["other-bore"].endswith("a bore of 40 mm, not 46 mm.")


def test_a_sheet_thicker_than_sense_is_refused():
    with pytest.raises(QuantityError, match="thickness"):
        made(sheet_thickness_mm=9.0)


# --- windows in files ---


def test_a_window_comes_back_from_its_document():
    shape = window_polygon(box(0, 30, math.pi, 38), (box(1, 31, 2, 32),))
    doubt = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.02, wall_area_u_mm2=0.1, edge_u_mm=0.03)
    document = window_document(Window(outline=shape, doubt=doubt))
    entry = map_of(traced_document({1: Window(outline=shape, doubt=doubt)}, source={})).ports[0].windows[0]
    assert set(document) == {"outline_mm", "holes_mm", "doubt"}
    assert entry.doubt is not None
    assert entry.doubt.floor_u_mm == 0.02
    again = window_polygon(entry.outline_mm, entry.holes_mm)
    assert again.hausdorff_distance(shape) <= 1e-5  # files hold 0.00001 mm
