"""Wishes in plain words: every form, both systems of units, and what is refused."""

import math
import tomllib
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portmap.errors import QuantityError
from portmap.shown import unit_system
from portmap.wishes import amount_text, default_tolerance, said_back, wish_of, wishes_of

THOU = 0.0254  # mm, exact: international inch of 1959
PSI_BAR = 0.0689475729  # NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa


@pytest.mark.parametrize(
    ("text", "quantity", "port", "form", "low", "high"),
    [
        ("squish 0.5 mm", "squish", None, "value", 0.47, 0.53),
        ("Squish clearance 0,5", "squish", None, "value", 0.47, 0.53),
        ("squish 20 thou ± 1 thou", "squish", None, "value", 19 * THOU, 21 * THOU),
        ("squish 20 +/- 1 thou", "squish", None, "value", 19 * THOU, 21 * THOU),
        ("squish 0.45 to 0.6 mm", "squish", None, "range", 0.45, 0.6),
        ("squish between 18 and 24 thou", "squish", None, "range", 18 * THOU, 24 * THOU),
        ("squish 0.45-0.6 mm", "squish", None, "range", 0.45, 0.6),
        ("squish 0.45–0.6 mm", "squish", None, "range", 0.45, 0.6),
        ("squish at least 0.5 mm", "squish", None, "at least", 0.5, math.inf),
        ("squish >= 0.02 in", "squish", None, "at least", 20 * THOU, math.inf),
        ("squish no less than 1/64 in", "squish", None, "at least", 25.4 / 64, math.inf),
        ("exhaust opens 100", "opens", "exhaust", "value", 99.5, 100.5),
        ("exhaust opens at 100° ± 0.25", "opens", "exhaust", "value", 99.75, 100.25),
        ("exhaust opens 98 to 101", "opens", "exhaust", "range", 98, 101),
        ("left transfer opens at most 122", "opens", "left transfer", "at most", -math.inf, 122),
        ("intake closes 76", "closes", "intake", "value", 75.5, 76.5),
        ("exhaust duration 160", "duration", "exhaust", "value", 159, 161),
        ("exhaust open for at least 156 deg", "duration", "exhaust", "at least", 156, math.inf),
        ("blowdown at least 20", "blowdown", None, "at least", 20, math.inf),
        ("cranking at most 11 bar", "cranking", None, "at most", -math.inf, 11),
        ("cranking pressure max 160 psi", "cranking", None, "at most", -math.inf, 160 * PSI_BAR),
        ("compression ratio at most 7", "trapped_ratio", None, "at most", -math.inf, 7),
        ("trapped ratio 6.5:1", "trapped_ratio", None, "value", 6.4, 6.6),
        ("geometric ratio up to 10", "geometric_ratio", None, "at most", -math.inf, 10),
        ("head volume 6,1 cc", "head_volume", None, "value", 6.0, 6.2),
    ],
)
def test_a_wish_is_understood(text, quantity, port, form, low, high):
    wish = wish_of(text)
    assert (wish.quantity, wish.port, wish.form) == (quantity, port, form)
    assert wish.low == pytest.approx(low, rel=1e-6)
    assert wish.high == pytest.approx(high, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("squish 100 deg", "'deg' in '100 deg' is not a unit of length"),
        ("exhaust opens 0.5 mm", "'mm' in '0.5 mm' is not a unit of angle"),
        ("cranking at most 11 mm", "'mm' in '11 mm' is not a unit of pressure"),
        (
            "compression ratio 7 bar",
            "'7 bar' is not a compression ratio; write a number above 1 without a unit",
        ),
        ("compression ratio 0.5", "not a compression ratio"),
        ("head volume 6 mm", "is not a unit of volume"),
        ("squish", "is not a wish that is understood"),
        ("squish at least", "it has no number"),
        ("sqish 0.5", "did you mean squish"),
        ("make it quick", "is not a wish that is understood"),
        ("", "is not a wish that is understood"),
        ("squish 0", "is not a length above 0"),
        ("squish -0.5 mm", "is not a length above 0"),
        ("squish 0.6 to 0.45 mm", "runs from 0.6 down to 0.45; write the smaller first"),
        ("squish 0.4 to 0.5 to 0.6", "more limits than two"),
        ("squish at least 0.4 ± 0.1", "mixes a tolerance with a limit"),
        ("exhaust opens 400", "more than a revolution"),
        ("squish " + "5" * 200, "too long for a wish"),
        ("squish nan", "is not a length"),
        ("squish inf mm", "is not a length"),
    ],
)
def test_what_is_no_wish_is_said_in_one_line(text, words):
    with pytest.raises(QuantityError) as caught:
        wish_of(text)
    said = str(caught.value)
    assert words in said
    assert said.startswith("--want")
    assert "\n" not in said


def test_no_wish_at_all_is_refused():
    with pytest.raises(QuantityError, match="no wish to plan for"):
        wishes_of([])


def test_a_wish_typed_twice_stands_once():
    assert len(wishes_of(["squish 0.5 mm", "squish  0.5 mm"])) == 1


def test_tolerances_nobody_typed_are_data_with_their_basis():
    told = tomllib.loads(files("portmap").joinpath("wishes.toml").read_text())
    assert told["basis"] == "common practice, no source"
    assert default_tolerance("squish") == pytest.approx(float(told["tolerance"]["squish"].split()[0]))
    assert not wish_of("squish 0.5 mm").tolerance_told
    assert wish_of("squish 0.5 ± 0.02 mm").tolerance_told


def test_a_tolerance_of_nothing_asks_for_the_figure_itself_and_still_weighs_misses():
    wish = wish_of("squish 0.5 ± 0 mm")
    assert wish.low == wish.high == 0.5
    assert wish.tolerance == default_tolerance("squish")


@pytest.mark.parametrize(
    ("text", "before", "said"),
    [
        ("intake opens 76", True, "intake opens 75.5° to 76.5° before TDC"),
        ("intake opens 76 before TDC", False, "intake opens 75.5° to 76.5° before TDC"),
        ("intake opens 284 after TDC", False, "intake opens 283.5° to 284.5° after TDC"),
        ("compression ratio at most 7", False, "trapped compression ratio at most 7.00"),
        ("geometric compression ratio at most 9", False, "geometric compression ratio at most 9.00"),
        ("squish at least 20 thou", False, "squish at least 0.51 mm"),
    ],
)
def test_a_wish_is_said_back(text, before, said):
    assert said_back(wish_of(text), before_tdc=before) == said


def test_amounts_are_shown_in_inch_too():
    inch = unit_system("inch")
    assert amount_text(0.508, "squish", inch) == "0.0200 in"
    assert amount_text(11.0, "cranking", inch) == "160 psi"  # 11 / 0.0689476 = 159.5


@given(st.floats(0.05, 5).map(lambda size: round(size, 3)), st.floats(0, 1).map(lambda size: round(size, 3)))
def test_law_a_value_lies_in_the_middle_of_what_it_allows(value, tolerance):
    wish = wish_of(f"squish {value} ± {tolerance} mm")
    assert wish.value == pytest.approx(value, abs=1e-9)
    assert wish.high - wish.low == pytest.approx(2 * tolerance, abs=1e-9)


@given(st.text(max_size=130))
def test_law_any_text_is_a_wish_or_one_line(text):
    said = ""
    try:
        wish = wish_of(text)
    except QuantityError as error:
        said = str(error)
    else:
        assert wish.low <= wish.high
    assert len(said.splitlines()) <= 1
