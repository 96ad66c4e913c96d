"""What people call results, and what is said when there is none of that name."""

import pytest

from portmap.errors import QuantityError
from portmap.port import PortEdges
from portmap.result_names import names_meant, result_unit, result_words

PORTS = [
    PortEdges(id="exhaust", kind="exhaust", control="crown"),
    PortEdges(id="left", kind="transfer", control="crown"),
    PortEdges(id="right", kind="transfer", control="crown"),
    PortEdges(id="Boost 1", kind="boost", control="crown"),
]
KNOWN = [
    "exhaust:opens_deg",
    "exhaust:wall_area_mm2",
    "left:opens_deg",
    "right:opens_deg",
    "Boost 1:duration_deg",
    "blowdown_deg",
    "squish_mm",
    "cranking_bar",
    "trapped_ratio",
    "exhaust_angle_area_mm2_deg",
]


@pytest.mark.parametrize(
    ("typed", "names"),
    [
        pytest.param("blowdown", ["blowdown_deg"], id="words"),
        pytest.param("Exhaust  Opens", ["exhaust:opens_deg"], id="capitals and blanks"),
        pytest.param("exhaust:opens_deg", ["exhaust:opens_deg"], id="the name itself"),
        pytest.param("transfer opens", ["left:opens_deg", "right:opens_deg"], id="every port of a kind"),
        pytest.param("left opens", ["left:opens_deg"], id="one port"),
        pytest.param("boost 1 duration", ["Boost 1:duration_deg"], id="a port with a blank in its id"),
        pytest.param("exhaust angle-area", ["exhaust_angle_area_mm2_deg"], id="span"),
        pytest.param("cranking", ["cranking_bar"], id="short"),
        pytest.param("compression ratio", ["trapped_ratio"], id="as wishes have it"),
        pytest.param("all", KNOWN, id="all"),
    ],
)
def test_names_meant(typed, names):
    assert list(names_meant(typed, KNOWN, PORTS)) == names


@pytest.mark.parametrize(
    ("typed", "match"),
    [
        pytest.param("blowdwn", r"did you mean blowdown\? It has exhaust opens, exhaust wall", id="misspelt"),
        pytest.param("intake opens", "'intake opens' is no result", id="a port that is not there"),
        pytest.param("", "'' is no result", id="nothing"),
        pytest.param("x" * 500, r"x\.\.\.' is no result", id="very long"),
    ],
)
def test_what_is_no_result(typed, match):
    with pytest.raises(QuantityError, match=match):
        names_meant(typed, KNOWN, PORTS)


def test_a_long_list_is_left_to_the_verb_itself():
    known = [*KNOWN, "swept_volume_cm3", "head_volume_cm3", "case_ratio"]
    with pytest.raises(
        QuantityError, match=r"mean blowdown\? All that it has is listed by portmap spread JOB$"
    ):
        names_meant("blowdwn", known, PORTS)


def test_every_name_has_words_and_comes_back_from_them():
    for name in KNOWN:
        assert name in names_meant(result_words(name), KNOWN, PORTS)


def test_a_name_of_nothing_has_no_words():
    with pytest.raises(QuantityError, match="is no result"):
        result_words("exhaust:colour")


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("swept_volume_cm3", "cm3"),
        ("squish_mm", "mm"),
        ("left:wall_area_mm2", "mm2"),
        ("intake_specific_s_per_m", "s_per_m"),
        ("case_ratio", ""),
    ],
)
def test_unit_of_a_name(name, unit):
    assert result_unit(name) == unit
