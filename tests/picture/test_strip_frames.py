"""Frames that show one row of a strip's markers: found, placed with what they share, refused."""

import functools
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.optimize import approx_fprime

from portmap.picture.bare_frames import frame_views
from portmap.picture.bore_cards import strip_card, strip_places
from portmap.picture.bore_marks import BoreMarks
from portmap.picture.bore_seat import CardSeat
from portmap.picture.bore_shots import SeenHeight
from portmap.picture.camera import lens_of
from portmap.picture.frame_figures import pose_of, pose_slopes
from portmap.picture.lens_doubt import known_lens
from portmap.picture.load import Picture
from portmap.picture.strip_frames import strip_frames, strip_scant_notice
from portmap.picture.strip_points import strip_points
from portmap.picture.strip_rows import StripRows
from portmap.picture.unroll_notices import strip_off_notices
from portmap.picture.unroll_photos import lens_known_at
from portmap.picture.wall_heights import ToldHeight
from portmap.picture.wall_view import pixel_map, wall_slopes
from tests.bore_corners import lens_of_camera
from tests.bore_parts import Strip
from tests.bore_scopes import bare_set, video_set
from tests.bore_sets import PAPER_MM, printed_page

SIZE_PX = (640, 480)
MIDDLE_PX = 0.5  # of a marker of some 30 px that is blurred, noisy and bent
PLACE_MM = 0.06  # what a roof may be off, by the aims: places of the wall as frames show them
TURN_MM = 0.4  # two standard deviations of how a hand turns the strip, on this bore


@functools.cache
def one_row():
    """Return frames of a scope turned once round by hand in which one row of markers is to be seen."""
    bores = video_set(4, scope="tube scope", frames=14, size_px=SIZE_PX)
    bore, first = bores.bore, bores.shots[0].camera
    ahead = first.directions(np.array([[SIZE_PX[0] / 2, 0.0]]))[0]
    back = float(np.hypot(*first.place_mm[:2]))
    top = first.place_mm[2] + ahead[2] / np.hypot(*ahead[:2]) * (bore.radius_mm + back)
    card = strip_card(bore.bore_mm, thickness_mm=PAPER_MM)
    low = float(top - card.low_mm - 1.35 * card.square_mm)
    strip = Strip(
        page=functools.partial(printed_page, card),
        height_mm=card.height_mm,
        low_mm=low,
        thickness_mm=PAPER_MM,
        turn_rad=0.002,
        lift_mm=0.03,
    )
    still = replace(bores.shots[0].scene.optics, motion_px=(0.0, 0.0))
    shots = tuple(replace(shot, scene=replace(shot.scene, strip=strip, optics=still)) for shot in bores.shots)
    return bores, shots, card, low


@functools.cache
def pictures():
    _, shots, _, _ = one_row()
    return tuple(
        Picture(pixels=np.ascontiguousarray(shot.pixels()[:, :, ::-1]), name=shot.name, sha256="")
        for shot in shots
    )


def grays(turned=False):
    made = [cv2.cvtColor(each.pixels, cv2.COLOR_RGB2GRAY) for each in pictures()]
    return [np.ascontiguousarray(each[:, ::-1]) for each in made] if turned else made


def placed(**changes):
    bores, _, card, low = one_row()
    lens = lens_known_at(lens_of(bores.lens), bores.lens["u"], SIZE_PX)
    told = {
        "pictures": pictures(),
        "card": card,
        "lens": lens,
        "seat": CardSeat(low_mm=low, bore_mm=bores.bore.bore_mm, thickness_mm=PAPER_MM),
        "bore_mm": bores.bore.bore_mm,
        **changes,
    }
    return strip_frames(marks=[None] * len(told["pictures"]), **told)


@pytest.mark.parametrize("turned", [False, True], ids=["as they are", "mirrored"])
def test_middles_of_markers_are_seen_where_the_renderer_puts_them(turned):
    _, shots, card, low = one_row()
    found, mirrored = strip_points(grays(turned), card, [None] * len(shots))
    assert mirrored == turned
    assert sum(each is not None for each in found) >= 0.8 * len(shots)
    strip = shots[0].scene.strip
    for each, shot in zip(found, shots, strict=True):
        if each is None:
            continue
        at = strip_places(card, each.places_mm, low_mm=low + strip.lift_mm)
        c, s = math.cos(strip.turn_rad), math.sin(strip.turn_rad)
        at[:, :2] = at[:, :2] @ np.array([[c, -s], [s, c]])
        miss = each.pixels_px - shot.camera.project(at)
        assert np.median(np.hypot(*miss.T)) < MIDDLE_PX


def test_a_bare_wall_shows_no_strip():
    bores = bare_set(2, bore=one_row()[0].bore, frames=12, size_px=SIZE_PX)
    gray = cv2.cvtColor(np.asarray(bores.shots[0].pixels()), cv2.COLOR_BGR2GRAY)
    assert strip_points([gray] * 3, strip_card(bores.bore.bore_mm), [None] * 3) == ([None] * 3, False)


def places_off(found):
    """Return by how much frames have places where they look too high, and too far round [mm]."""
    bores, shots, *_ = one_row()
    radius = bores.bore.bore_mm / 2
    cameras = {shot.name: shot.camera for shot in shots}
    ups, rounds = [], []
    for view in frame_views(found.pictures, found.poses, found.mirrored, (0.0, math.inf)):
        camera = cameras[view.name]
        look = camera.turn[2]
        x = radius * math.atan2(-look[1], look[0])
        there = np.array([[x + dx, camera.place_mm[2] + dy] for dx in (-5.0, 0, 5) for dy in (-6.0, 0, 6)])
        turn = there[:, 0] / radius
        true = camera.project(np.column_stack([radius * np.cos(turn), -radius * np.sin(turn), there[:, 1]]))
        _, slopes, _, _ = wall_slopes(view, radius, there)
        off = np.linalg.solve(slopes, (true - pixel_map(view, radius, there))[..., None])[..., 0]
        rounds.append(off[:, 0])
        ups.append(off[:, 1])
    return np.array(ups), np.array(rounds)


def test_one_row_and_what_frames_share_place_them():
    found = placed()
    assert found is not None
    assert len(found.pictures) == len(pictures())
    assert found.closed
    ups, rounds = places_off(found)
    # the strip's own seat is a hand's guess: what it moves as a whole is no fault of the frames'
    assert np.abs(ups - np.median(ups)).max() < PLACE_MM
    assert np.abs(rounds - np.median(rounds)).max() < PLACE_MM
    assert abs(np.median(rounds)) < TURN_MM
    assert found.poses.kind == "strip"
    assert "beside" in strip_scant_notice(found).message


def test_a_measured_height_puts_a_strip_right_that_lies_elsewhere_than_told():
    bores, _, _, low = one_row()
    off_mm = 2.0
    roof = max(each.outline.bounds[3] for each in bores.bore.openings if each.kind == "exhaust")
    seat = CardSeat(low_mm=low + off_mm, bore_mm=bores.bore.bore_mm, thickness_mm=PAPER_MM)
    told = ToldHeight(window="exhaust", edge="roof", height_mm=roof, u_mm=0.02)
    untied, tied = placed(seat=seat), placed(seat=seat, heights=[told])
    assert np.median(places_off(untied)[0]) == pytest.approx(off_mm, abs=0.1)
    assert np.abs(np.median(places_off(tied)[0])) < PLACE_MM
    assert tied.seat.low_mm == pytest.approx(low, abs=0.1)
    assert [notice.code for notice in strip_off_notices(seat, tied.seat)] == ["strip-off"]


@pytest.mark.parametrize("fault", ["too few frames", "another size"])
def test_what_cannot_be_joined_is_left_to_others(fault):
    if fault == "too few frames":
        assert placed(pictures=pictures()[:4]) is None
    else:
        bores, *_ = one_row()
        lens = lens_known_at(lens_of(bores.lens), bores.lens["u"], (1280, 960))
        assert placed(lens=lens) is None


# --- the equations, against differences taken by scipy


def rows_of_one_frame():
    bores, shots, card, low = one_row()
    camera = shots[0].camera
    figures = np.array([0.1, 0.02, -0.01, *camera.place_mm])
    figures[0] = math.atan2(-camera.turn[2, 1], camera.turn[2, 0])
    half = card.marker_mm / 2
    places = np.array([[x + half, y - half] for x, y in card.markers().values()])
    seat = CardSeat(low_mm=low, bore_mm=bores.bore.bore_mm, thickness_mm=PAPER_MM)
    at = strip_places(card, places, low_mm=low)
    near = (at - camera.place_mm) @ camera.turn[2] > 5.0
    pixels = camera.project(at[near])
    marks = BoreMarks(
        card=card,
        markers=int(near.sum()),
        places_mm=places[near],
        pixels_px=pixels + 0.3,
        pitch_px=np.full(int(near.sum()), 30.0),
        mirrored=False,
    )
    height = SeenHeight(
        angle_rad=figures[:1] + 0.1,
        height_mm=camera.place_mm[2:] + 2.0,
        u_mm=np.array([0.05]),
        pixels_px=np.array([[300.0, 200.0]]),
        up_px=np.array([[1.0, -20.0]]),
    )
    lens = lens_of_camera(camera)
    guess = known_lens(lens, {"fx_px": 1.0, "cx_px": 0.5})
    return StripRows([marks], [height], guess, seat, bores.bore.bore_mm / 2), figures


def test_slopes_of_the_rows_are_their_differences():
    rows, figures = rows_of_one_frame()
    bent = np.zeros(2)

    def all_rows(values):
        return rows.rows(0, values[:2], values[2:8], values[8:])[0]

    at = np.concatenate([bent, figures, np.zeros(rows.count)])
    _, slopes = rows.rows(0, bent, figures, np.zeros(rows.count))
    # scipy.optimize.approx_fprime: forward differences, whose own error is about the step times the bend
    expected = approx_fprime(at, all_rows, 1e-6)
    scale = np.abs(expected).max(axis=0)
    assert np.abs((slopes - expected) / scale).max() < 1e-4


def test_a_point_far_off_loses_its_weight():
    rows, figures = rows_of_one_frame()
    rows.marks[0].pixels_px[0] += 40.0
    rows.judge(np.zeros(2), figures[None], np.zeros(rows.count), patient=True)
    kept = rows.weight[0][0]
    rows.judge(np.zeros(2), figures[None], np.zeros(rows.count), patient=False)
    assert 0 < kept < 0.2
    assert rows.weight[0][0] == 0.0


def test_slopes_of_a_pose_are_its_differences():
    figures = np.array([0.7, 0.1, -0.2, 3.0, -2.0, 8.0])
    assert np.abs(pose_slopes(figures) - approx_fprime(figures, pose_of, 1e-7)).max() < 1e-5
