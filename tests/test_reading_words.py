"""Readings in plain words: any order, both unit systems, and a clear word for what is not understood."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from portmap.errors import PortmapError
from portmap.port import PortEdges
from portmap.reading_kinds import READING_KINDS
from portmap.reading_words import reading_in_words, words_of_reading
from portmap.readings import Reading, checked_reading
from portmap.tools import tools

PORTS = {
    "exhaust": PortEdges(id="exhaust", kind="exhaust", control="crown"),
    "main": PortEdges(id="main", kind="transfer", control="crown"),
    "intake": PortEdges(id="intake", kind="intake", control="skirt"),
    "reed": PortEdges(id="reed", kind="other", control="none"),
    "4": PortEdges(id="4", kind="boost", control="crown"),
}
# an inch is 25.4 mm: international yard and pound agreement, 1959


def reading(**fields) -> Reading:
    return Reading(**fields)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (
            "exhaust opens 104 deg, gasket 0.5 mm",
            {"kind": "opens", "port": "exhaust", "value": 104, "gasket_mm": 0.5},
        ),
        (
            "gasket 0,5 mm; exhaust opens 104°",
            {"kind": "opens", "port": "exhaust", "value": 104, "gasket_mm": 0.5},
        ),
        ("104 exhaust opens", {"kind": "opens", "port": "exhaust", "value": 104}),
        ("the exhaust port opens at 104 degrees", {"kind": "opens", "port": "exhaust", "value": 104}),
        ("transfer opens 120", {"kind": "opens", "port": "main", "value": 120}),  # the only transfer
        ("ex opens 104", {"kind": "opens", "port": "exhaust", "value": 104}),
        ("port 4 opens 118", {"kind": "opens", "port": "4", "value": 118}),
        ("intake opens 75 before TDC", {"kind": "opens", "port": "intake", "value": 285}),
        ("inlet opens 75 BTDC", {"kind": "opens", "port": "intake", "value": 285}),
        ("intake opens 75", {"kind": "opens", "port": "intake", "value": 285}),
        ("intake closes 75", {"kind": "closes", "port": "intake", "value": 75}),
        ("exhaust closes 104", {"kind": "closes", "port": "exhaust", "value": 256}),
        ("exhaust opens 76 before bottom dead centre", {"kind": "opens", "port": "exhaust", "value": 104}),
        ("exhaust closes 76 ABDC", {"kind": "closes", "port": "exhaust", "value": 256}),
        (
            "squish 0.55 0.60 0.58 mm solder",
            {"kind": "squish", "value": 0.576666667, "places_mm": (0.55, 0.6, 0.58), "tool": "solder"},
        ),
        ("squish 0.55,0.60,0.59", {"kind": "squish", "value": 0.58, "places_mm": (0.55, 0.6, 0.59)}),
        ("squish 0,55 0,60 0,59", {"kind": "squish", "value": 0.58, "places_mm": (0.55, 0.6, 0.59)}),
        ("squish 20 thou", {"kind": "squish", "value": 0.508}),
        ("depth at 90 deg 18.25 mm", {"kind": "depth_at", "at_deg": 90, "value": 18.25}),
        ("18.25 mm piston depth @ 90°", {"kind": "depth_at", "at_deg": 90, "value": 18.25}),
        ("piston down 0.7 in at 90 deg", {"kind": "depth_at", "at_deg": 90, "value": 17.78}),
        ("head volume 6.1 cc burette", {"kind": "head_volume", "value": 6.1, "tool": "burette"}),
        ("case volume 120 ml", {"kind": "case_volume", "value": 120}),
        (
            "cranking 10.5 bar gauge 600 m 15 C",
            {"kind": "cranking_pressure", "value": 10.5, "altitude_m": 600, "temperature_c": 15},
        ),
        (
            # 1 psi is 6894.757 Pa: NIST SP 811, appendix B (from memory); 32 °F is 0 °C
            "compression 150 psi, 1000 ft, 32 F",
            {"kind": "cranking_pressure", "value": 10.34213594, "altitude_m": 304.8, "temperature_c": 0},
        ),
        (
            "cranking 10 bar at sea level, -20 C",
            {"kind": "cranking_pressure", "value": 10, "altitude_m": 0, "temperature_c": -20},
        ),
        ("exhaust roof 22.1 mm from deck", {"kind": "roof_from_deck", "port": "exhaust", "value": 22.1}),
        ("main floor 28 above the base", {"kind": "floor_height", "port": "main", "value": 28}),
        ("main roof depth 24.4", {"kind": "roof_depth", "port": "main", "value": 24.4}),
        ("roof of exhaust 1 1/2 in below crown", {"kind": "roof_depth", "port": "exhaust", "value": 38.1}),
        ("gasket before the crush 0.5 mm", {"kind": "gasket", "value": 0.5}),
        ("gasket after the crush 0.42", {"kind": "gasket_crushed", "value": 0.42}),
        ("gasket 0.5 mm crushed to 0.42 mm", {"kind": "gasket_crushed", "value": 0.42, "gasket_mm": 0.5}),
        ("con rod length 58 mm", {"kind": "rod", "value": 58}),
        ("bore 46.00 mm micrometer", {"kind": "bore", "value": 46, "tool": "micrometer"}),
        (
            "exhaust opens 104, no gasket, three times, with degree wheel, ± 0.3",
            {
                "kind": "opens",
                "port": "exhaust",
                "value": 104,
                "gasket_mm": 0,
                "times": 3,
                "tool": "degree wheel",
                "doubt": 0.15,
            },
        ),
        (
            "exhaust opens 103.5 104 104.5 deg",
            {"kind": "opens", "port": "exhaust", "value": 104, "times": 3},
        ),
        ("squish 23 thou ± 1", {"kind": "squish", "value": 0.5842, "doubt": 0.0127}),  # the ± in thou too
        ("exhaust opens 104 without a gasket 2026-11-02", {
            "kind": "opens", "port": "exhaust", "value": 104, "gasket_mm": 0, "date": "2026-11-02",
        }),
        ("exhaust opens 104 note: wheel slipped once", {
            "kind": "opens", "port": "exhaust", "value": 104, "note": "wheel slipped once",
        }),
    ],
    ids=lambda case: case if isinstance(case, str) else "",
)  # fmt: skip
def test_words_are_understood(text, wanted):
    assert reading_in_words(text, PORTS).reading == reading(**wanted)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("intake opens 75", "before TDC, since the skirt opens intake"),
        ("exhaust closes 104", "before TDC, since the crown closes exhaust"),
        ("exhaust opens 76 BBDC", "BDC was taken as 180"),
        ("squish 0.55 0.6", "Mean of 2 places"),
        ("exhaust opens 104 ± 0.5", r"k = 2"),
    ],
)
def test_what_was_taken_for_granted_is_said(text, said):
    assert said in " ".join(reading_in_words(text, PORTS).said)


@pytest.mark.parametrize("text", ["exhaust opens 104", "intake opens 75 before TDC", "squish 0.6 mm"])
def test_nothing_is_said_where_nothing_was_guessed(text):
    assert reading_in_words(text, PORTS).said == ()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("boost 2 opens 120", "there is no port 'boost 2'"),
        ("strato opens 60", "there is no port 'strato'; the job has exhaust, main, intake"),
        ("exhast opens 104", "did you mean exhaust"),
        ("opens 104 deg", "of which port is not said; the job has exhaust"),
        ("exhaust opens 104 mm", "'mm' in '104 mm' is not a unit of angle"),
        ("squish 0.5 deg", "squish: 'deg' in '0.5 deg' is not a unit of length"),
        ("head volume 6.1 mm", "not a unit of volume"),
        ("exhaust opens 104 with a dgree wheel", "did you mean degree wheel"),
        ("exhaust opens 104 with solder", "opens is not read with a solder; name one of degree wheel"),
        ("exhaust opens hammer 104", "'hammer' in 'exhaust opens hammer 104' is not understood"),
        ("exhaust opens 104 and main opens 120", "not understood"),
        ("exhaust roof 22 mm", "does not say from where the roof was measured"),
        ("gasket 0.5 mm", "before or after the crush"),
        ("104", "does not say what was read"),
        ("exhaust opns 104", "does not say what was read; did you mean opens"),
        ("", "does not say what was read"),
        ("exhaust opens", "holds no figure"),
        ("intake opens 75 after TDC", "did you mean 75° before TDC"),
        ("exhaust opens 256", "did you mean 104° after TDC"),
        ("exhaust opens 400", "outside 0 to 360"),
        ("reed opens 90", "not opened by the piston"),
        ("squish -0.5", "not above 0"),
        ("squish 0 mm", "not above 0"),
        ("bore 0.5 m 3 times 4", "too far apart to be one reading"),
        ("squish 0.5 mm before TDC", "before TDC has no place"),
        ("exhaust opens 104 gasket 20 m", "length that an engine|not a gasket"),
        ("exhaust opens 1/0", "divides by nothing"),
        ("x" * 501, "longer than 500 letters"),
    ],
)  # fmt: skip
def test_what_is_not_understood_is_refused(text, message):
    with pytest.raises(PortmapError, match=message):
        reading_in_words(text, PORTS)


def test_several_ports_of_a_kind_must_be_told_apart():
    ports = {name: PortEdges(id=name, kind="transfer", control="crown") for name in ("front", "rear one")}
    with pytest.raises(PortmapError, match=r"several ports.*name one of front, rear one"):
        reading_in_words("transfer opens 120", ports)
    assert reading_in_words("rear one opens 120", ports).reading.port == "rear one"


def test_a_job_without_ports_takes_new_ones_by_their_kind():
    found = reading_in_words("transfer 2 opens 121", {}, new_ports=True)
    assert found.reading.port == "transfer 2"
    assert reading_in_words("inlet opens 75", {}, new_ports=True).reading.value == 285
    with pytest.raises(PortmapError, match="not a port here"):
        reading_in_words("lefty opens 120", {}, new_ports=True)


CIRCUMSTANCES = {
    "gasket_mm": st.none() | st.floats(0, 3).map(lambda size: round(size, 3)),
    "times": st.integers(1, 20),
    "doubt": st.none() | st.integers(1, 2000).map(lambda size: size / 1000),
    "date": st.none() | st.dates().map(str).filter(lambda text: text > "1000"),
    "note": st.none()
    | st.text("abc 12,é", min_size=1).map(str.strip).filter(bool).map(lambda t: " ".join(t.split())),
}


@st.composite
def readings(draw) -> Reading:
    kind = draw(st.sampled_from([*READING_KINDS]))
    facts = READING_KINDS[kind]
    fields = {name: draw(some) for name, some in CIRCUMSTANCES.items()}
    fields["value"] = draw(st.integers(1, 90_000)) / 1000
    fields["tool"] = draw(st.none() | st.sampled_from([t.name for t in tools().values() if kind in t.kinds]))
    if kind == "gasket":
        fields["gasket_mm"] = None
    if facts.of_port:
        fields["port"] = draw(st.sampled_from(["exhaust", "main", "intake", "4"]))
    if facts.unit == "deg":
        rising = (kind == "closes") != (fields["port"] == "intake")
        fields["value"] += 1 + (200 if rising else 0)
    if kind == "depth_at":
        fields["at_deg"] = draw(st.integers(0, 3600)) / 10
    if kind == "cranking_pressure":
        fields["altitude_m"] = draw(st.none() | st.integers(0, 4000).map(float))
        fields["temperature_c"] = draw(st.none() | st.integers(-40, 50).map(float))
    if kind == "squish" and draw(st.booleans()):
        places = [draw(st.integers(1, 2000)) / 1000 for _ in range(draw(st.integers(2, 6)))]
        fields |= {"places_mm": tuple(places), "value": round(sum(places) / len(places), 9)}
    return checked_reading(Reading(kind=kind, **fields), PORTS)


@example(Reading(kind="squish", value=0.001, places_mm=(0.001, 0.001), times=2))
@given(readings())
@settings(max_examples=150)
def test_a_reading_in_words_is_understood_as_itself(some):
    """Words of a reading give the same reading back."""
    back = reading_in_words(words_of_reading(some), PORTS).reading
    assert back.doubt == pytest.approx(some.doubt)
    assert back.value == pytest.approx(some.value, abs=2e-9)
    same = {
        name: getattr(some, name) for name in Reading.__dataclass_fields__ if name not in ("value", "doubt")
    }
    assert {name: getattr(back, name) for name in same} == same


@given(st.text(max_size=80))
@settings(max_examples=200)
def test_no_text_brings_more_than_a_refusal(text):
    """Whatever somebody types is understood or refused in a line."""
    try:
        reading_in_words(text, PORTS)
    except PortmapError as refusal:
        found = str(refusal)
    else:
        found = "understood"
    assert found
