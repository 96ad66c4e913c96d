"""The lens verb on open photos: what it writes and says, and how it meets bad input."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from portmap.cli import main
from portmap.picture.camera import read_lens
from portmap.picture.lens_doubt import known_lens

FOLDER = Path(__file__).parents[1] / "published" / "chessboard"
PHOTOS = [str(FOLDER / f"left{k:02}.jpg") for k in (1, 2, 3, 5, 7, 11)]
BOARD = ["--chessboard", "9x6", "--square", "25 mm"]


def test_the_lens_is_written_and_told(tmp_path, capsys):
    out, show = tmp_path / "lens.json", tmp_path / "show.png"
    code = main(["lens", *PHOTOS, *BOARD, "--out", str(out), "--show", str(show), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert code == 0
    lens = read_lens(out)
    assert told["model"] == lens.model == "pinhole"
    assert told["fx_px"] == lens.fx_px == pytest.approx(536, abs=6)
    assert told["image_size_px"] == [640, 480]
    assert told["measure"] == "root mean square distance over all corners"
    assert [photo["photo"] for photo in told["photos"]] == [Path(photo).name for photo in PHOTOS]
    assert all(photo["distance_mm"] > 200 for photo in told["photos"])
    assert {"few-photos"} <= {warning["code"] for warning in told["warnings"]}
    written = json.loads(out.read_text())
    assert written["rms_px"] == told["rms_px"]
    guess = known_lens(lens, written["u"])  # as unroll reads it
    assert 0 < guess.sd[0] < 0.02
    with Image.open(show) as picture:
        assert picture.width > 1500


def test_a_person_reads_a_table(tmp_path, capsys):
    assert main(["lens", *PHOTOS, *BOARD, "--out", str(tmp_path / "lens.json")]) == 0
    text = capsys.readouterr()
    assert "focal length, px" in text.out
    assert "RMS over all corners of 6 photos" in text.out
    assert "warning: Only 6 photos" in text.err


def test_photos_that_do_not_serve_are_named(tmp_path, capsys):
    blank, twin = tmp_path / "blank.png", tmp_path / "twin.jpg"
    cv2.imwrite(str(blank), np.full((480, 640), 180, np.uint8))
    twin.write_bytes(Path(PHOTOS[0]).read_bytes())
    given = [*PHOTOS, str(blank), str(twin)]
    assert main(["lens", *given, *BOARD, "--out", str(tmp_path / "lens.json"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    left = {photo["photo"]: photo["why_not"] for photo in told["photos"] if not photo["used"]}
    assert left["twin.jpg"] == "is the same picture as left01.jpg"
    assert "no chessboard of 9 by 6" in left["blank.png"]


BAD = {
    "no photo": ([], BOARD, 2, ""),
    "missing photo": (["none.jpg"], BOARD, 1, "there is no such file"),
    "too few": (PHOTOS[:2], BOARD, 1, "2 photos of the board are too few"),
    "wrong count": (PHOTOS[:1], ["--chessboard", "9", "--square", "25 mm"], 1, "is not two counts"),
    "no square": (PHOTOS[:1], ["--chessboard", "9x6"], 1, "the size of the squares is missing"),
    "bad square": (PHOTOS[:1], ["--chessboard", "9x6", "--square", "-3 mm"], 1, "--square"),
    "no card": (PHOTOS[:3], [], 1, "no board seen"),
    "bad show": (PHOTOS[:1], [*BOARD, "--show", "a.jpg"], 1, "this picture is a PNG"),
}


@pytest.mark.parametrize(("photos", "more", "code", "words"), BAD.values(), ids=BAD)
def test_bad_input_is_one_line_and_nothing_is_written(photos, more, code, words, tmp_path, capsys):
    out = tmp_path / "lens.json"
    assert main(["lens", *photos, *more, "--out", str(out)]) == code
    text = capsys.readouterr()
    assert words in text.err
    if code == 1:
        assert len(text.err.strip().splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_written_over(tmp_path, capsys):
    out = tmp_path / "lens.json"
    out.write_text("mine")
    assert main(["lens", *PHOTOS, *BOARD, "--out", str(out)]) == 1
    assert "the file exists" in capsys.readouterr().err
    assert out.read_text() == "mine"
