"""Frames of a video: the sharpest of each stretch; videos that cannot be read. The films are of noise."""

import io
import wave

import cv2
import numpy as np
import pytest

from portmap.errors import PictureError
from portmap.picture.frames import frames_in, is_video

SIZE_PX = 320, 240


def film(place, frames):
    code = cv2.VideoWriter_fourcc(*{".avi": "MJPG", ".mp4": "mp4v"}[place.suffix])
    writer = cv2.VideoWriter(str(place), code, 15.0, SIZE_PX)
    for frame in frames:
        writer.write(frame)
    writer.release()
    return place


def panned(steps, soft=()):
    """A window that moves over a wide picture by given steps; some frames are blurred."""
    rng = np.random.default_rng(4)
    wide = cv2.resize(rng.integers(0, 255, (60, 600, 3), dtype=np.uint8), (2400, 240))
    for number, left in enumerate(np.cumsum(steps)):
        frame = np.ascontiguousarray(wide[:, left : left + SIZE_PX[0]])
        yield cv2.GaussianBlur(frame, (0, 0), 4.0) if number in soft else frame


def numbers(pictures):
    return [int(picture.name.rsplit(" ", 1)[1]) - 1 for picture in pictures]


@pytest.mark.parametrize("suffix", [".mp4", ".avi"])
def test_sharp_frames_are_kept_in_order(tmp_path, suffix):
    soft = {k for k in range(48) if k % 4 != 1}
    found = frames_in(film(tmp_path / f"turn{suffix}", panned([20] * 48, soft)), most=12)
    assert 10 <= len(found) <= 12
    assert numbers(found) == sorted(numbers(found))
    assert not set(numbers(found)) & soft
    assert found[0].pixels.shape == (SIZE_PX[1], SIZE_PX[0], 3)


def test_a_camera_that_stands_still_takes_no_more_than_its_share(tmp_path):
    steps = [20] * 20 + [0] * 40 + [20] * 20
    found = numbers(frames_in(film(tmp_path / "turn.avi", panned(steps)), most=10))
    assert sum(20 <= k < 60 for k in found) <= 2


def test_a_short_video_is_kept_whole(tmp_path):
    assert len(frames_in(film(tmp_path / "turn.avi", panned([20] * 7)), most=12)) == 7


def test_colours_come_red_first(tmp_path):
    frame = np.zeros((SIZE_PX[1], SIZE_PX[0], 3), np.uint8)
    frame[:, :, 2] = 200  # OpenCV writes blue first
    assert (frames_in(film(tmp_path / "red.avi", [frame] * 3))[0].pixels[100, 100] > [150, -1, -1]).all()


def sound() -> bytes:
    stream = io.BytesIO()
    with wave.open(stream, "wb") as voice:
        voice.setnchannels(1)
        voice.setsampwidth(2)
        voice.setframerate(8000)
        voice.writeframes(bytes(8000))
    return stream.getvalue()


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("empty.mp4", b"", "the video is empty"),
        ("noise.mp4", np.random.default_rng(2).bytes(5000), "the video cannot be decoded"),
        ("words.avi", b"not a film", "the video cannot be decoded"),
        ("sound.mov", sound(), "the video cannot be decoded"),
    ],
    ids=["empty", "noise", "text", "sound only"],
)
def test_what_is_no_film_is_refused_in_one_line(tmp_path, capfd, name, content, message):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(PictureError, match=message):
        frames_in(tmp_path / name)
    assert capfd.readouterr().err == ""  # the decoder's own complaints stay away


def test_a_film_that_was_cut_off_is_refused(tmp_path):
    place = film(tmp_path / "turn.mp4", panned([20] * 30))
    place.write_bytes(place.read_bytes()[:4000])  # an MP4's index stands at its end
    with pytest.raises(PictureError, match="the video cannot be decoded"):
        frames_in(place)


def test_frames_too_small_to_measure_are_refused(tmp_path):
    place = tmp_path / "tiny.avi"
    writer = cv2.VideoWriter(str(place), cv2.VideoWriter_fourcc(*"MJPG"), 15.0, (96, 64))
    writer.write(np.zeros((64, 96, 3), np.uint8))
    writer.release()
    with pytest.raises(PictureError, match="96 × 64 pixels are too small"):
        frames_in(place)


@pytest.mark.parametrize(
    ("name", "video"), [("a.MOV", True), ("a.mkv", True), ("a.jpg", False), ("mp4", False)]
)
def test_a_video_is_known_by_its_name(name, video):
    assert is_video(name) is video
