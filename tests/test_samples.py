"""The sample pictures are what they say, hold nothing private, and belong to a sane made-up engine."""

import json
import math
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image
from scipy.optimize import brentq
from shapely import Polygon

from portmap.samples import sample_folder, samples
from sample_images import make_samples

FOLDER = Path(make_samples.__file__).parent
PHOTOS = ("rubbed.jpg", "pencil.jpg", "cut.jpg", "rubbed.heic")
ALL_BYTES = 12_000_000
ORIENTATION = 274  # EXIF 2.3, tag 0x0112
RENDERED_STEPS = 3.0  # of 255, mean: other versions of the libraries may round otherwise


def degrees_at_depth(depth_mm: float) -> float:
    """Crank angle for a depth, by root finding on the slider-crank (Heywood 1988, eq. 2.5, from memory)."""
    a, rod = 16.0, 58.0

    def over(angle: float) -> float:
        return a + rod - (a * math.cos(angle) + math.sqrt(rod**2 - (a * math.sin(angle)) ** 2)) - depth_mm

    return math.degrees(brentq(over, 0.0, math.pi))


def test_the_folder_in_use_is_that_of_the_repository():
    assert Path(str(sample_folder())) == FOLDER


def test_truth_and_engine_are_what_the_script_writes():
    assert json.loads((FOLDER / "truth.json").read_text()) == json.loads(json.dumps(make_samples.truth()))
    assert json.loads((FOLDER / "engine.json").read_text()) == make_samples.ENGINE


def test_the_engine_says_that_it_is_made_up():
    assert "made up" in samples().engine["name"]
    assert "invented" in (FOLDER / "README.md").read_text().lower()


def test_the_ports_open_where_those_of_a_saw_do():
    # about 104, 120 and 76 before TDC: common practice for small piston-port engines, no source
    windows = {window.id: window.window.outline for window in samples().windows}
    crown = 61.0 - 0.4
    assert degrees_at_depth(crown - windows["exhaust"].bounds[3]) == pytest.approx(104.0, abs=0.2)
    assert degrees_at_depth(crown - windows["transfer-right"].bounds[3]) == pytest.approx(120.0, abs=0.2)
    assert degrees_at_depth(crown - 36.0 - windows["intake"].bounds[1]) == pytest.approx(76.0, abs=0.2)


def test_no_window_lies_on_another_and_one_goes_across_the_back():
    shapes = [window.window.outline for window in samples().windows]
    for number, shape in enumerate(shapes):
        assert all(shape.disjoint(other) for other in shapes[number + 1 :])
    half = math.pi * 46.0 / 2
    assert shapes[-1].bounds[0] < half < shapes[-1].bounds[2]


@pytest.mark.parametrize("window", samples().windows, ids=lambda window: window.id)
def test_arcs_are_finer_than_anything_measured(window):
    corners = np.asarray(window.window.outline.exterior.coords)
    doubled = Polygon(corners[::2])  # half as many corners depart four times as far
    assert doubled.hausdorff_distance(window.window.outline) < 4.5 * make_samples.ARC_MM * 1.2


@pytest.mark.parametrize("name", PHOTOS)
def test_a_photo_holds_nothing_but_the_picture(name):
    pillow_heif.register_heif_opener()
    with Image.open(FOLDER / name) as picture:
        assert max(picture.size) >= 3264
        assert set(picture.getexif()) <= {ORIENTATION}
        assert not picture.info.get("xmp")
        assert not picture.info.get("comment")


def test_the_samples_are_small_enough_to_carry_along():
    assert sum(file.stat().st_size for file in FOLDER.iterdir() if file.is_file()) < ALL_BYTES
    assert tuple(photo.file for photo in samples().photos) == PHOTOS


@pytest.mark.long
@pytest.mark.parametrize("number", range(len(PHOTOS)), ids=PHOTOS)
def test_the_script_makes_these_photos_again(number, tmp_path):
    pillow_heif.register_heif_opener()
    sample = make_samples.samples()[number]
    again = tmp_path / sample.file
    again.write_bytes(make_samples.taken(sample, make_samples.printed_card(), make_samples.SEED + number))
    first, second = (np.asarray(Image.open(file), np.float32) for file in (FOLDER / sample.file, again))
    assert first.shape == second.shape
    assert np.abs(first - second).mean() < RENDERED_STEPS
