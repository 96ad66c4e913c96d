"""Quantities as people type them."""

import math
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portmap.errors import QuantityError
from portmap.quantity import (
    altitude_m,
    angle_deg,
    angles_deg,
    area_mm2,
    length_mm,
    lengths_mm,
    pressure_pa,
    speeds_rpm,
    temperature_c,
    volume_cm3,
)
from portmap.units import (
    ALTITUDE,
    ANGLE,
    AREA,
    LENGTH,
    PRESSURE,
    SPEED,
    TEMPERATURE,
    VOLUME,
    spelled_units,
)

MEASURES = [LENGTH, ANGLE, AREA, VOLUME, SPEED, PRESSURE, TEMPERATURE, ALTITUDE]

ROUNDING = 1e-12  # relative; conversions are products of a few doubles

# 1 in = 25.4 mm exactly: international yard and pound agreement, 1959; the rest follows by hand.
LENGTHS = {
    "46": 46.0,
    "46.": 46.0,
    ".5": 0.5,
    "0.5 mm": 0.5,
    "0.5mm": 0.5,
    "0,5 mm": 0.5,
    ",5": 0.5,
    "  46 mm ": 46.0,
    "46 MM": 46.0,
    "5e-1 mm": 0.5,
    "20 thou": 0.508,
    "20thou": 0.508,
    "10 thousandths": 0.254,
    "0.020 in": 0.508,
    '0.020"': 0.508,
    "0.020″": 0.508,
    "0,020 in": 0.508,
    "1/16 in": 1.5875,
    '1/16"': 1.5875,
    "1 1/2 in": 38.1,
    "1-1/2 in": 38.1,
    '1 1/2"': 38.1,
    "1⁄4 inch": 6.35,
    "1/2": 0.5,
    "-0.3 mm": -0.3,
    "−0.3 mm": -0.3,
    "+2 cm": 20.0,
    "50 µm": 0.05,
    "50 um": 0.05,
    "0.1 m": 100.0,
    "1 ft": 304.8,
    "0": 0.0,
}


@pytest.mark.parametrize(("text", "millimetres"), LENGTHS.items(), ids=LENGTHS)
def test_lengths(text, millimetres):
    assert length_mm(text) == pytest.approx(millimetres, rel=ROUNDING)


# NIST Special Publication 811 (2008), appendix B.8, from memory: psi 6.894757e3 Pa, technical atmosphere
# (kgf/cm²) 9.80665e4 Pa exactly, standard atmosphere 1.01325e5 Pa exactly, cubic inch 1.638706e-5 m³,
# square inch 6.4516e-4 m² exactly.
OTHERS = [
    (angle_deg, "104°", 104.0, ROUNDING),
    (angle_deg, "97,5 deg", 97.5, ROUNDING),
    (angle_deg, "1 rad", 180 / math.pi, ROUNDING),
    (volume_cm3, "6,1 cc", 6.1, ROUNDING),
    (volume_cm3, "53 cm³", 53.0, ROUNDING),
    (volume_cm3, "0.05 l", 50.0, ROUNDING),
    (volume_cm3, "1 cu in", 16.38706, 5e-7),
    (area_mm2, "0.01 in²", 6.4516, ROUNDING),
    (pressure_pa, "11", 1.1e6, ROUNDING),
    (pressure_pa, "11 bar", 1.1e6, ROUNDING),
    (pressure_pa, "150 psi", 150 * 6.894757e3, 5e-8),
    (pressure_pa, "9 kg/cm²", 9 * 9.80665e4, ROUNDING),
    (pressure_pa, "1100 kPa", 1.1e6, ROUNDING),
    (pressure_pa, "1.1 MPa", 1.1e6, ROUNDING),
    (pressure_pa, "1 atm", 1.01325e5, ROUNDING),
]


@pytest.mark.parametrize(("read", "text", "value", "rel"), OTHERS, ids=[text for _, text, *_ in OTHERS])
def test_other_quantities(read, text, value, rel):
    assert read(text) == pytest.approx(value, rel=rel)


LISTS = [
    (speeds_rpm, "9000", (9000,)),
    (speeds_rpm, "9000 rpm", (9000,)),
    (speeds_rpm, "6000,8000", (6000, 8000)),
    (speeds_rpm, "6000, 8000 rpm", (6000, 8000)),
    (speeds_rpm, "6000 8000", (6000, 8000)),
    (speeds_rpm, "6000;8000", (6000, 8000)),
    (speeds_rpm, "100 rps", (6000,)),
    (speeds_rpm, "6000:14000:4000", (6000, 10000, 14000)),
    (speeds_rpm, "6000:14000:3000", (6000, 9000, 12000)),
    (speeds_rpm, "9000:6000:-1500", (9000, 7500, 6000)),
    (speeds_rpm, "6000:6000:500", (6000,)),
    (angles_deg, "110,120,130", (110, 120, 130)),
    (angles_deg, "90:91:0.25", (90, 90.25, 90.5, 90.75, 91)),
    (lengths_mm, "99.6", (99.6,)),
    (lengths_mm, "99,6", (99.6,)),
    (lengths_mm, "99.6,100.2", (99.6, 100.2)),
    (lengths_mm, "99.6, 100.2 mm", (99.6, 100.2)),
    (lengths_mm, "99,6; 100,2", (99.6, 100.2)),
    (lengths_mm, "99,6 100,2", (99.6, 100.2)),
    (lengths_mm, "1 1/2 in", (38.1,)),
]


@pytest.mark.parametrize(("read", "text", "values"), LISTS, ids=[text for _, text, _ in LISTS])
def test_lists_and_sweeps(read, text, values):
    assert read(text) == pytest.approx(values, rel=ROUNDING)


def test_a_sweep_ends_where_rounding_would_lose_the_end():
    assert angles_deg("0:1:0.1")[-1] == pytest.approx(1.0, abs=1e-12)
    assert len(angles_deg("0:1:0.1")) == 11


REFUSED = [
    (length_mm, "", "is not a length; write it like 0.5 mm, 20 thou or 1/16 in"),
    (length_mm, "mm", "is not a length"),
    (length_mm, "NaN", "'NaN' is not a length"),
    (length_mm, "inf", "is not a length"),
    (length_mm, "-inf mm", "is not a length"),
    (length_mm, "1e400", "no length that an engine has"),
    (length_mm, "10**10**10", r"'\*\*10\*\*10' in '10\*\*10\*\*10' is not a unit of length"),
    (length_mm, "__import__('os')", "is not a length"),
    (length_mm, "9" * 4000, "is not a length"),
    (length_mm, "1,234.5 mm", "two decimal signs"),
    (length_mm, "1/0 in", "divides by nothing"),
    (length_mm, "20 mm²", "'mm²' in '20 mm²' is not a unit of length"),
    (length_mm, "5 inchs", "did you mean inches"),
    (length_mm, "5 furlongs", "is not a unit of length; use one of mm, cm, m, µm, in, thou, ft"),
    (length_mm, "5 kg", "'kg' in '5 kg' is not a unit of length"),
    (length_mm, "20 km", "not a unit of length"),
    (length_mm, "11 m", "no length that an engine has; the limit is 10,000 mm"),
    (length_mm, "5 2 mm", "'2 mm' in '5 2 mm' is not a unit"),
    (pressure_pa, "5 mPa", "'mPa' in '5 mPa' is not a unit of pressure"),
    (volume_cm3, "-1", "is not a volume 0 or more"),
    (angle_deg, "104 mm", "'mm' in '104 mm' is not a unit of angle"),
    (speeds_rpm, "0", "'0' is not a speed above 0; give one above 0"),
    (speeds_rpm, "-9000", "is not a speed above 0"),
    (speeds_rpm, "6,000", "'000' is not a speed above 0"),
    (speeds_rpm, "nan", "is not a speed"),
    (speeds_rpm, "9000,", "'' is not a speed"),
    (speeds_rpm, "6000:14000", "write FROM:TO:STEP"),
    (speeds_rpm, "6000:14000:0", "never leads from 6000 to 14000"),
    (speeds_rpm, "6000:14000:-500", "never leads"),
    (speeds_rpm, "1:100000:0.001", "99,999,001 values, more than 2,000"),
    (speeds_rpm, "0:9000:1000", "is not a speed above 0"),
    (speeds_rpm, "1e6", "no speed that an engine has"),
]


@pytest.mark.parametrize(
    ("read", "text", "message"), REFUSED, ids=[text[:30] or "nothing" for _, text, _ in REFUSED]
)
def test_refused_with_what_and_what_to_do(read, text, message):
    with pytest.raises(QuantityError, match=message) as caught:
        read(text, where="--it")
    assert caught.value.where == "--it"
    assert caught.value.remedy
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "sign", "message"),
    [
        ("0", "positive", "above 0"),
        ("-1 mm", "not negative", "0 or more"),
        ("-1 thou", "positive", "above 0"),
    ],
)
def test_a_sign_that_makes_no_sense_is_refused(text, sign, message):
    with pytest.raises(QuantityError, match=f"is not a length {message}"):
        length_mm(text, sign=sign)


@pytest.mark.parametrize("measure", MEASURES, ids=lambda m: m.name)
def test_every_unit_is_what_pints_own_full_registry_says(measure):
    import pint

    full = pint.UnitRegistry()
    from portmap.units import converted

    for name in measure.spellings:
        theirs = full.Quantity(1.0, name).m_as(measure.own)
        assert converted(1.0, name, measure.own) == pytest.approx(theirs, rel=ROUNDING), name


@pytest.mark.parametrize("measure", MEASURES, ids=lambda m: m.name)
def test_no_spelling_stands_for_two_units(measure):
    listed = [spelling for group in measure.spellings.values() for spelling in group]
    assert len(set(listed)) == len(listed) == len(spelled_units(measure))
    folded = {}
    for spelling, name in spelled_units(measure).items():
        assert folded.setdefault(spelling.casefold(), name) == name


# Fixed points: 32 °F = 0 °C, 122 °F = 50 °C, −40 °F = −40 °C, 0 °C = 273.15 K (SI brochure, 9th ed., 2019,
# and the definition of the Fahrenheit scale; from memory)
@pytest.mark.parametrize(
    ("text", "celsius"),
    {
        "-30": -30.0,
        "−30 °C": -30.0,
        "20C": 20.0,
        "20,5 c": 20.5,
        "32 F": 0.0,
        "122 °F": 50.0,
        "-40 f": -40.0,
        "68 degF": 20.0,
        "273.15 K": 0.0,
    }.items(),
)
def test_temperatures(text, celsius):
    assert temperature_c(text) == pytest.approx(celsius, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("warm", "write it like -30, 20 C or 68 F"),
        ("20 bar", "'bar' in '20 bar' is not a unit of temperature"),
        ("20 K", "no temperature that an engine has"),
        ("500 F", "no temperature that an engine has"),
    ],
)
def test_temperatures_refused(text, message):
    with pytest.raises(QuantityError, match=message):
        temperature_c(text, where="--temperature")


# 1 ft = 0.3048 m exactly: international yard and pound agreement, 1959
@pytest.mark.parametrize(
    ("text", "metres"), [("600", 600.0), ("1.5 km", 1500.0), ("2000 ft", 609.6), ("-3 m", -3)]
)
def test_altitudes(text, metres):
    assert altitude_m(text) == pytest.approx(metres, rel=ROUNDING)


def test_an_altitude_beyond_the_weather_is_refused():
    with pytest.raises(QuantityError, match="no altitude that an engine has; the limit is 11,000 m"):
        altitude_m("12 km")


# conventional millimetre and inch of mercury: NIST SP 811, appendix B (from memory)
@pytest.mark.parametrize(
    ("text", "pascal"), [("1013.25 hPa", 101325), ("760 mmHg", 101325.0), ("29.92 inHg", 101320.7)]
)
def test_barometers(text, pascal):
    assert pressure_pa(text) == pytest.approx(pascal, abs=0.1)


def test_bare_numbers_and_millimetres_do_not_load_pint():
    code = (
        "import sys; from portmap.quantity import *;"
        "length_mm('0,5 mm'); angle_deg('104'); volume_cm3('6 cc'); speeds_rpm('6000:8000:500 rpm');"
        "assert 'pint' not in sys.modules; length_mm('1 in'); assert 'pint' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


@given(st.text(max_size=30) | st.from_regex(r"[0-9.,/ :e+-]{1,15}[ a-zµ²³\"°]{0,6}", fullmatch=True))
def test_whatever_is_typed_gives_a_sound_number_or_one_line(text):
    for read in (length_mm, volume_cm3, pressure_pa, temperature_c, speeds_rpm, lengths_mm, angles_deg):
        said, values = "", (0.0,)
        try:
            found = read(text)
            values = found if isinstance(found, tuple) else (found,)
        except QuantityError as error:
            said = str(error)
        assert values
        assert all(math.isfinite(value) for value in values)
        assert "\n" not in said
        assert len(said) < 300


@given(st.floats(-9000, 9000))
def test_a_plain_number_is_read_as_python_reads_it(value):
    text = repr(value)
    assert length_mm(text) == value
    assert length_mm(f"{text} mm".replace(".", ",")) == value
