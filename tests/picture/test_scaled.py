"""Scaled images: places, doubts, and the files they are kept in, hostile ones included."""

import copy
import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from portmap.errors import JobError, Notice, OutputError, PictureError, PortmapError
from portmap.picture.scaled import (
    PlaceDoubt,
    ScaledImage,
    displacements,
    encoded_png,
    place_of,
    read_scaled,
    write_scaled,
)
from portmap.picture.sidecar import sidecar_faults

NANOMETRE = 1e-6  # [mm]: what the sidecar's rounding may cost a doubt


def image() -> ScaledImage:
    rng = np.random.default_rng(21)
    return ScaledImage(
        pixels=rng.integers(0, 256, (37, 53, 3), dtype=np.uint8),
        mm_per_px=0.08,
        x0_mm=-115.5,
        y0_mm=121.2,
        residual_mm=0.003,
        source={"card": "flat A4", "pictures": [{"name": "gérard.jpg"}]},
        doubt=PlaceDoubt(
            grid_x_mm=np.linspace(-115, 115, 5),
            grid_y_mm=np.linspace(-5, 120, 4),
            modes_mm=rng.normal(0, 1e-3, (6, 4, 5, 2)),
        ),
        notices=(Notice(code="few-markers", message="Only 12 of 189 markers were seen."),),
    )


# --- places and doubts -----------------------------------------------------------------------


@pytest.mark.parametrize("shape", [(2,), (7, 2), (3, 4, 2), (0, 2)])
def test_places_keep_the_shape_of_what_is_asked(shape):
    assert place_of(image(), np.zeros(shape)).shape == shape


def test_rows_run_against_y():
    places = place_of(image(), [[0, 0], [10, 0], [0, 10]])
    assert places == pytest.approx(np.array([[-115.5, 121.2], [-114.7, 121.2], [-115.5, 120.4]]))


def test_displacements_are_linear_between_grid_points_and_held_outside():
    doubt = image().doubt
    at_grid = displacements(doubt, [[-115, -5], [115, 120]])
    assert at_grid[:, 0] == pytest.approx(doubt.modes_mm[:, 0, 0])
    assert at_grid[:, 1] == pytest.approx(doubt.modes_mm[:, -1, -1])
    between = displacements(doubt, [[-115 + 57.5 / 2, -5]])[:, 0]
    assert between == pytest.approx((doubt.modes_mm[:, 0, 0] + doubt.modes_mm[:, 0, 1]) / 2)
    assert displacements(doubt, [[-900, -900]])[:, 0] == pytest.approx(doubt.modes_mm[:, 0, 0])


# --- files -----------------------------------------------------------------------------------


def test_what_is_written_is_read_back(tmp_path):
    made = image()
    place = write_scaled(made, tmp_path / "flat.png")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["flat.json", "flat.png"]
    back = read_scaled(place)
    assert np.array_equal(back.pixels, made.pixels)
    for name in ("mm_per_px", "x0_mm", "y0_mm", "wraps", "residual_mm", "source", "notices"):
        assert getattr(back, name) == getattr(made, name)
    assert back.doubt.grid_x_mm == pytest.approx(made.doubt.grid_x_mm)
    assert np.abs(back.doubt.modes_mm - made.doubt.modes_mm).max() < NANOMETRE


def test_an_image_without_doubt_or_residual_is_kept_too(tmp_path):
    bare = ScaledImage(pixels=image().pixels, mm_per_px=0.1, x0_mm=0.0, y0_mm=40.0, wraps=True)
    back = read_scaled(write_scaled(bare, tmp_path / "wall.png"))
    assert (back.doubt, back.residual_mm, back.wraps, back.notices) == (None, None, True, ())


def test_the_sidecar_says_what_the_design_fixes(tmp_path):
    write_scaled(image(), tmp_path / "flat.png")
    document = json.loads((tmp_path / "flat.json").read_text())
    assert document["format"] == "portmap-image"
    assert document["version"] == 1
    assert {"mm_per_px", "x0_mm", "y0_mm", "wraps", "residual_mm", "source", "doubt", "warnings"} <= set(
        document
    )
    assert set(document["doubt"]) == {"grid_x_mm", "grid_y_mm", "modes_mm"}


def test_any_png_reader_sees_the_same_pixels(tmp_path):
    made = image()
    place = tmp_path / "x.png"
    place.write_bytes(encoded_png(made.pixels))
    assert np.array_equal(np.asarray(Image.open(place)), made.pixels)


def test_a_sidecar_of_the_least_fields_is_enough(tmp_path):
    # what another program would write by the design alone
    place = tmp_path / "wall.png"
    place.write_bytes(encoded_png(image().pixels))
    least = {"format": "portmap-image", "version": 1, "mm_per_px": 1, "x0_mm": 0, "y0_mm": 0}
    (tmp_path / "wall.json").write_text(
        json.dumps(least | {"wraps": False, "residual_mm": None, "source": {}})
    )
    assert read_scaled(place).mm_per_px == 1.0


def test_nothing_is_replaced_unless_forced(tmp_path):
    place = write_scaled(image(), tmp_path / "flat.png")
    with pytest.raises(OutputError, match="--force"):
        write_scaled(image(), place)
    write_scaled(image(), place, force=True)
    (tmp_path / "flat.png").unlink()
    with pytest.raises(OutputError, match=r"flat\.json: the file exists"):
        write_scaled(image(), place)
    assert not place.exists()


def test_a_job_of_the_same_name_is_never_replaced(tmp_path):
    job = tmp_path / "saw.json"
    job.write_text('{"format": "portmap-job"}')
    with pytest.raises(OutputError, match="belongs to something else"):
        write_scaled(image(), tmp_path / "saw.png", force=True)
    assert job.read_text() == '{"format": "portmap-job"}'
    assert not (tmp_path / "saw.png").exists()


def test_another_ending_is_refused(tmp_path):
    with pytest.raises(OutputError, match=r"let its name end in \.png"):
        write_scaled(image(), tmp_path / "flat.jpg")


def test_a_picture_without_sidecar_says_what_to_do(tmp_path):
    place = tmp_path / "photo.png"
    place.write_bytes(encoded_png(image().pixels))
    with pytest.raises(PictureError, match=r"no photo\.json beside it .* portmap flatten"):
        read_scaled(place)


def test_a_picture_of_another_size_is_refused(tmp_path):
    place = write_scaled(image(), tmp_path / "flat.png")
    place.write_bytes(encoded_png(image().pixels[:, :-1]))
    with pytest.raises(PictureError, match=r"52 × 37 pixels, but flat\.json speaks of 53 × 37"):
        read_scaled(place)


def document(tmp_path) -> dict:
    write_scaled(image(), tmp_path / "base.png", force=True)
    return json.loads((tmp_path / "base.json").read_text())


FAULTS = [
    pytest.param("mm_per_px", 0, "mm_per_px: must be a number from 0.001 to 5", id="no size"),
    pytest.param("mm_per_px", -0.1, "mm_per_px: must be", id="negative size"),
    pytest.param("mm_per_px", 1e9, "mm_per_px: must be", id="absurd size"),
    pytest.param("mm_per_px", "0.1", "mm_per_px: must be", id="size in quotes"),
    pytest.param("mm_per_px", True, "mm_per_px: must be", id="size true"),
    pytest.param("x0_mm", 1e300, "x0_mm: must be a number, at most 100000", id="place beyond all"),
    pytest.param("y0_mm", None, "y0_mm: must be", id="no place"),
    pytest.param("wraps", 1, "wraps: must be true or false", id="wraps a number"),
    pytest.param(
        "residual_mm", -1, "residual_mm: must be a number from 0 up, or null", id="negative residual"
    ),
    pytest.param("source", [], "source: must be an object", id="source a list"),
    pytest.param("warnings", [{"code": "x"}], "warnings: must be a list of objects", id="half a warning"),
    pytest.param("warnings", "none", "warnings: must be a list", id="warnings in words"),
    pytest.param("size_px", [53], "size_px: must be two whole numbers", id="half a size"),
    pytest.param("size_px", [53, -37], "size_px: must be two whole numbers", id="negative picture"),
    pytest.param("version", 2, "version: version 2 cannot be read", id="newer version"),
    pytest.param("version", True, "version: version True cannot be read", id="version true"),
    pytest.param("format", "portmap-job", "does not belong to a scaled image", id="another file"),
    pytest.param("colour", "red", "colour: no such field here", id="unknown field"),
    pytest.param(
        "doubt", {"grid_x_mm": []}, "doubt: must hold grid_x_mm, grid_y_mm, modes_mm", id="half a doubt"
    ),
    pytest.param("doubt", 3, "doubt: must hold", id="doubt a number"),
]


@pytest.mark.parametrize(("key", "value", "words"), FAULTS)
def test_a_broken_sidecar_says_where(tmp_path, key, value, words):
    broken = document(tmp_path) | {key: value}
    (tmp_path / "base.json").write_text(json.dumps(broken))
    with pytest.raises(JobError) as caught:
        read_scaled(tmp_path / "base.png")
    assert words in str(caught.value)
    assert "base.json" in str(caught.value)


@pytest.mark.parametrize(
    ("part", "change"),
    [
        ("grid_x_mm", lambda grid: grid[::-1]),
        ("grid_x_mm", lambda grid: grid[:1]),
        ("grid_y_mm", lambda grid: [*grid, 1e7]),
        ("grid_y_mm", lambda grid: ["a", *grid]),
        ("modes_mm", lambda modes: modes[0]),
        ("modes_mm", lambda modes: [m[:-1] for m in modes]),
        ("modes_mm", lambda modes: modes * 60),
        ("modes_mm", lambda modes: [[[[None, 0.0]] * 5] * 4]),
    ],
    ids=["falling", "too short", "far out", "a word", "too shallow", "a row short", "too many", "no number"],
)
def test_a_broken_doubt_says_where(tmp_path, part, change):
    broken = document(tmp_path)
    broken["doubt"][part] = change(broken["doubt"][part])
    (tmp_path / "base.json").write_text(json.dumps(broken))
    with pytest.raises(JobError, match=rf"doubt\.{part}: must be"):
        read_scaled(tmp_path / "base.png")


@pytest.mark.parametrize(
    "text", ["", "{", "[1, 2]", '{"mm_per_px": NaN}', '{"a": 1, "a": 2}', "null", "é" * 9]
)
def test_a_sidecar_that_is_no_document_is_refused(tmp_path, text):
    write_scaled(image(), tmp_path / "base.png")
    (tmp_path / "base.json").write_text(text)
    with pytest.raises(JobError, match=r"base\.json"):
        read_scaled(tmp_path / "base.png")


def test_five_faults_are_five_lines(tmp_path):
    broken = document(tmp_path) | {"mm_per_px": 0, "x0_mm": "a", "wraps": None, "size_px": 3}
    del broken["y0_mm"]
    assert len(sidecar_faults(broken)) == 5


junk = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_junk_anywhere_in_a_sidecar_is_a_fault_or_harmless(tmp_path_factory, data):
    good = {
        "format": "portmap-image",
        "version": 1,
        "mm_per_px": 0.1,
        "x0_mm": 0.0,
        "y0_mm": 1.0,
        "wraps": False,
        "residual_mm": None,
        "source": {},
        "warnings": [],
        "doubt": {
            "grid_x_mm": [0, 1],
            "grid_y_mm": [0, 1],
            "modes_mm": [[[[0, 0], [0, 0]], [[0, 0], [0, 0]]]],
        },
    }
    broken = copy.deepcopy(good)
    target = data.draw(st.sampled_from([broken, broken["doubt"]]))
    key = data.draw(st.sampled_from(sorted(target)))
    target[key] = data.draw(junk)
    faults = sidecar_faults(broken)
    for fault in faults:
        assert isinstance(fault, PortmapError)
        assert "\n" not in str(fault)
    if not faults and broken["doubt"] is not None:
        assert all(math.isfinite(v) for v in broken["doubt"]["grid_x_mm"])
