"""Words on a page keep within their room, and the hues are the published ones."""

import matplotlib
import matplotlib.colors
import pytest
from hypothesis import given
from hypothesis import strategies as st

from portmap.look import KIND_COLOURS, STAGE_STROKES, rgb
from portmap.page import BOLD, REGULAR, fitted, printable, text_width_mm


@given(text=st.text(max_size=200), width=st.floats(5.0, 120.0), font=st.sampled_from([REGULAR, BOLD]))
def test_fitted_words_never_leave_their_room(text, width, font):
    shown, size = fitted(text, width, 9.0, least_pt=6.0, font=font)
    assert 6.0 <= size <= 9.0
    assert text_width_mm(shown, size, font) <= width * (1 + 1e-9)
    assert shown == printable(text, font) or size < 9.0


@given(text=st.text(max_size=100))
def test_printable_words_stand_on_one_line_and_stay_as_they_are(text):
    shown = printable(text)
    assert len(shown.splitlines()) <= 1
    assert printable(shown) == shown


def test_the_hues_are_those_of_okabe_and_ito():
    # matplotlib's own table of the published palette
    published = {matplotlib.colors.to_hex(hue).upper() for hue in matplotlib.colormaps["okabe_ito"].colors}
    used = {hue for kind, hue in KIND_COLOURS.items() if kind != "other"}
    assert len(used) == 5
    assert used <= published


def test_stages_are_told_apart_without_hue():
    looks = {(stroke.width_mm, stroke.dash_mm) for stroke in STAGE_STROKES.values()}
    assert len(looks) == 3
    assert STAGE_STROKES["stock"].width_mm < STAGE_STROKES["ground"].width_mm
    assert STAGE_STROKES["proposed"].dash_mm


@pytest.mark.parametrize("hue", KIND_COLOURS.values())
def test_shares_of_a_hue_are_matplotlibs(hue):
    assert rgb(hue) == pytest.approx(matplotlib.colors.to_rgb(hue))
