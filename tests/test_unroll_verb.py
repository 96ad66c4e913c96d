"""The verb unroll, on rendered photos of made-up bores: what it writes, says and refuses."""

import json
import re
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely
import shapely.affinity

from portmap.cli import main
from portmap.picture.coverage import coverage_beside, read_coverage
from portmap.picture.frames import frames_in
from portmap.picture.scaled import place_of, read_scaled
from tests.bore_scenes import end_on_set, sample_bore
from tests.bore_scopes import strip_set, write_video

STEP = "0.1 mm"
ROOM_MM = 0.6  # kept from a window's edge, for its chamfer, blur and a pixel


@pytest.fixture(scope="module")
def ring_photos(tmp_path_factory) -> tuple[Path, list[str]]:
    """Two photos of a ring from below, 0.9 megapixels each."""
    folder = tmp_path_factory.mktemp("ring")
    made = end_on_set(5, bore=sample_bore(soot=0.2), photos=2, pixels=900_000, lens_known=False)
    for shot in made.shots:
        (folder / shot.name).write_bytes(shot.jpeg())
    return folder, [str(folder / shot.name) for shot in made.shots]


@pytest.fixture(scope="module")
def strip_frames(tmp_path_factory):
    """Frames of a mirrored scope all round, its lens beside them."""
    folder = tmp_path_factory.mktemp("strip")
    made = strip_set(4, bore=sample_bore(), scope="wide scope", frames=7, size_px=(640, 480), mirrored=True)
    for shot in made.shots:
        (folder / shot.name).write_bytes(shot.jpeg())
    (folder / "lens.json").write_text(json.dumps(made.lens))
    told = [
        "--bore", "46", "--strip-y", str(made.told["strip_y_mm"]),
        "--strip-height", str(made.told["strip_height_mm"]),
    ]  # fmt: skip
    return folder, [str(folder / shot.name) for shot in made.shots], told, made


def unrolled(arguments, capsys) -> dict:
    assert main(["unroll", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_a_ring_gives_the_wall_at_its_places(ring_photos, tmp_path, capsys):
    _, photos = ring_photos
    out = tmp_path / "wall.png"
    said = unrolled(
        [
            *photos,
            "--bore",
            "46",
            "--deck-height",
            "62",
            "--to",
            "50",
            "--mm-per-px",
            STEP,
            "--out",
            str(out),
        ],
        capsys,
    )
    assert {"image", "mm_per_px", "residual_mm", "markers_found", "warnings"} <= said.keys()
    image = read_scaled(out)
    assert image.wraps
    assert image.mm_per_px == said["mm_per_px"] == pytest.approx(0.1, rel=1e-3)
    assert image.pixels.shape[1] * image.mm_per_px == pytest.approx(np.pi * 46, rel=1e-12)
    assert said["residual_mm"] < 0.02
    assert said["y0_mm"] == 50
    assert image.doubt is not None
    assert "lens-guessed" in {warning["code"] for warning in said["warnings"]}
    assert len(said["pictures"]) == 2


def test_windows_are_dark_where_they_are_and_nowhere_else(strip_frames, tmp_path, capsys):
    folder, frames, told, made = strip_frames
    out = tmp_path / "wall.png"
    lens = ["--lens", str(folder / "lens.json")]
    said = unrolled([*frames, *told, *lens, "--mm-per-px", STEP, "--out", str(out)], capsys)
    image = read_scaled(out)
    coverage = read_coverage(out, image)
    assert {"mirrored-photo"} <= {warning["code"] for warning in said["warnings"]}
    level = cv2.cvtColor(image.pixels, cv2.COLOR_RGB2GRAY)
    rows, columns = level.shape
    row, column = np.mgrid[:rows, :columns]
    places = place_of(image, np.stack([column.ravel(), row.ravel()], axis=1))
    inside, near = np.zeros(rows * columns, bool), np.zeros(rows * columns, bool)
    for shape in made.windows.values():
        for turn in (-np.pi * 46, 0.0, np.pi * 46):
            moved = shapely.affinity.translate(shape, turn, 0.0)
            inside |= shapely.contains_xy(moved.buffer(-ROOM_MM), *places.T)
            near |= shapely.contains_xy(moved.buffer(ROOM_MM), *places.T)
    seen = (coverage > 0).ravel()
    assert (inside & seen).sum() > 2000
    # the passages' walls are lit by the scope, but less than the wall, which is evened to 150
    assert (level.ravel()[inside & seen] < 110).mean() > 0.97
    assert (level.ravel()[seen & ~near] > 110).mean() > 0.97


def test_the_strip_itself_is_no_wall(strip_frames, tmp_path, capsys):
    folder, frames, told, made = strip_frames
    out = tmp_path / "wall.png"
    lens = ["--lens", str(folder / "lens.json"), "--to", "62"]
    unrolled([*frames, *told, *lens, "--mm-per-px", STEP, "--out", str(out)], capsys)
    image = read_scaled(out)
    coverage = read_coverage(out, image)
    y = image.y0_mm - np.arange(len(coverage)) * image.mm_per_px
    low = made.told["strip_y_mm"]
    hidden = (y > low + 0.1) & (y < low + made.told["strip_height_mm"] - 0.1)
    assert hidden.sum() > 100
    assert (coverage[hidden] == 0).all()
    assert (coverage[(y > 30) & (y < low - 1)] > 0).mean() > 0.95


@pytest.mark.parametrize("off_mm", [0.0, -1.4, 2.5])
def test_a_strip_that_lies_elsewhere_than_told_is_placed_by_a_measured_height(
    strip_frames, off_mm, tmp_path, capsys
):
    """A mark that was read wrongly must not draw the roof a part of the way with it."""
    folder, frames, _, made = strip_frames
    low = made.told["strip_y_mm"]
    roof = max(each.outline.bounds[3] for each in made.bore.openings if each.kind == "exhaust")
    told = [
        "--bore", "46", "--strip-y", f"{low + off_mm:.3f}", "--strip-height",
        str(made.told["strip_height_mm"]), "--height", f"exhaust roof {roof:.3f} ±0.02 mm",
    ]  # fmt: skip
    out = tmp_path / "wall.png"
    lens = ["--lens", str(folder / "lens.json")]
    said = unrolled([*frames, *told, *lens, "--mm-per-px", STEP, "--out", str(out)], capsys)
    words = [each["message"] for each in said["warnings"] if each["code"] == "strip-off"]
    if off_mm == 0.0:
        assert not words
    else:
        way = "lower" if off_mm > 0 else "higher"
        told_mm, said_way = re.search(r"lies ([0-9.]+) mm (\w+) than was told", words[0]).groups()
        assert (float(told_mm), said_way) == (pytest.approx(abs(off_mm), abs=0.2), way)
    source = read_scaled(out).source
    assert source["seat"]["strip_y_mm"] == pytest.approx(low, abs=0.2)  # a hand's error, and the roof's


def test_a_video_is_unrolled(strip_frames, tmp_path, capsys):
    folder, frames, told, made = strip_frames
    video = tmp_path / "scope.avi"
    write_video((cv2.imread(frame) for frame in frames), video)
    assert len(frames_in(video, most=3)) == 3
    out = tmp_path / "wall.png"
    lens = ["--lens", str(folder / "lens.json")]
    said = unrolled([str(video), *told, *lens, "--mm-per-px", "0.2", "--out", str(out)], capsys)
    assert len(said["pictures"]) == len(made.shots)
    assert said["pictures"][0]["name"].startswith("scope.avi frame ")


def test_a_wall_in_the_way_is_kept_unless_forced(ring_photos, tmp_path, capsys):
    _, photos = ring_photos
    out = tmp_path / "wall.png"
    coverage_beside(out).write_bytes(b"something of the porter's")
    assert main(["unroll", *photos, "--bore", "46", "--out", str(out)]) == 1
    assert "the file exists" in capsys.readouterr().err
    assert not out.exists()


def blank(folder: Path) -> str:
    place = folder / "blank.png"
    cv2.imwrite(str(place), np.full((600, 800, 3), 90, np.uint8))
    return str(place)


def broken_video(folder: Path) -> str:
    place = folder / "broken.mp4"
    place.write_bytes(b"\x00\x00\x00\x18ftypmp42" + bytes(400))
    return str(place)


@pytest.mark.parametrize(
    ("photos", "options", "words"),
    [
        pytest.param("ring", ["--bore", "48"], "made for a bore of 46 mm, not 48 mm", id="wrong bore"),
        pytest.param("blank", ["--bore", "46"], "no ring or strip card is seen", id="no card"),
        pytest.param("ring", ["--bore", "46", "--ring-on", "deck"], "--deck-height", id="deck of no height"),
        pytest.param("ring", ["--bore", "46", "--mm-per-px", "3"], "mm a pixel", id="pixels too large"),
        pytest.param(
            "ring", ["--bore", "46", "--from", "40", "--to", "30"], "no stretch of wall", id="upside down"
        ),
        pytest.param("broken", ["--bore", "46"], "cannot be decoded", id="broken video"),
        pytest.param(
            "ring", ["--bore", "46", "--lens", "LENS"], "calibrated on pictures of", id="another lens"
        ),
    ],
)
def test_what_cannot_be_is_said_in_one_line_and_nothing_is_written(
    ring_photos, strip_frames, tmp_path, capfd, photos, options, words
):
    given = {
        "ring": lambda: ring_photos[1][:1],
        "blank": lambda: [blank(tmp_path)],
        "broken": lambda: [broken_video(tmp_path)],
    }[photos]()
    lens = tmp_path / "lens.json"
    document = json.loads((strip_frames[0] / "lens.json").read_text())
    lens.write_text(json.dumps({**document, "image_size_px": [800, 800]}))
    out = tmp_path / "wall.png"
    arguments = [str(lens) if option == "LENS" else option for option in options]
    assert main(["unroll", *given, *arguments, "--out", str(out)]) == 1
    said = capfd.readouterr().err.strip()
    assert words in said
    assert len(said.splitlines()) == 1
    assert not list(tmp_path.glob("wall*"))
