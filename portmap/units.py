"""Units as people spell them, and their conversion by pint.

Every spelling understood is listed here; no unit is put together from what somebody typed. pint, which
takes 0.4 s to load, is only loaded for a unit that is not the library's own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

__all__ = [
    "ALTITUDE",
    "ANGLE",
    "AREA",
    "LENGTH",
    "PRESSURE",
    "SPEED",
    "TEMPERATURE",
    "VOLUME",
    "Measure",
    "converted",
    "spelled_units",
]

# In pint's syntax, from the definitions of the SI brochure (9th ed., 2019) and of the international yard
# and pound agreement of 1959 (numbers from memory); a test compares them with pint's full registry.
_DEFINITIONS = """
milli- = 1e-3 = m-
centi- = 1e-2 = c-
micro- = 1e-6 = µ-
hecto- = 1e2 = h-
kilo- = 1e3 = k-
mega- = 1e6 = M-
meter = [length] = m
second = [time] = s
kilogram = [mass] = kg
kelvin = [temperature]; offset: 0 = K
radian = [] = rad
degree = π / 180 * radian
turn = 2 * π * radian
π = 3.141592653589793
minute = 60 * second
inch = 0.0254 * meter
foot = 12 * inch
thou = inch / 1000
liter = 1e-3 * meter ** 3
pascal = kilogram / meter / second ** 2
bar = 1e5 * pascal
standard_gravity = 9.80665 * meter / second ** 2
pound = 0.45359237 * kilogram
psi = pound * standard_gravity / inch ** 2
technical_atmosphere = kilogram * standard_gravity / centimeter ** 2
atmosphere = 101325 * pascal
millimeter_Hg = 133.322387415 * pascal
inch_Hg = 25.4 * millimeter_Hg
degree_Celsius = kelvin; offset: 273.15
degree_Fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9
"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Measure:
    """One kind of quantity that people type.

    Parameters
    ----------
    name : str
        What it is, in a word.
    example : str
        How it may be typed.
    own : str
        pint's name of the library's unit.
    shown : str
        How that unit is written.
    bare : str
        pint's name of the unit that a number without one has.
    limit : float
        The largest amount that makes sense, in the library's unit.
    spellings : dict of str to tuple of str
        pint's name of each unit, and what people write for it; the usual spelling first.
    """

    name: str
    example: str
    own: str
    shown: str
    bare: str
    limit: float
    spellings: dict[str, tuple[str, ...]]

    @property
    def with_article(self) -> str:
        """Return the name as a sentence needs it."""
        return f"{'an' if self.name[0] in 'aeiou' else 'a'} {self.name}"


LENGTH = Measure(
    name="length",
    example="0.5 mm, 20 thou or 1/16 in",
    own="millimeter",
    shown="mm",
    bare="millimeter",
    limit=10_000.0,
    spellings={
        "millimeter": ("mm", "millimeter", "millimeters", "millimetre", "millimetres"),
        "centimeter": ("cm", "centimeter", "centimeters", "centimetre", "centimetres"),
        "meter": ("m", "meter", "meters", "metre", "metres"),
        "micrometer": ("µm", "μm", "um", "micron", "microns", "micrometer", "micrometre"),
        "inch": ("in", "in.", "inch", "inches", '"', "″", "”", "''"),
        "thou": ("thou", "thous", "thousandth", "thousandths", "mil", "mils"),
        "foot": ("ft", "foot", "feet"),
    },
)
ANGLE = Measure(
    name="angle",
    example="104 or 104 deg",
    own="degree",
    shown="degrees",
    bare="degree",
    limit=3600.0,
    spellings={
        "degree": ("deg", "deg.", "degree", "degrees", "°", "º"),
        "radian": ("rad", "radian", "radians"),
    },
)
AREA = Measure(
    name="area",
    example="12 mm² or 0.02 in²",
    own="millimeter ** 2",
    shown="mm²",
    bare="millimeter ** 2",
    limit=1e6,
    spellings={
        "millimeter ** 2": ("mm²", "mm2", "mm^2", "sq mm"),
        "centimeter ** 2": ("cm²", "cm2", "cm^2", "sq cm"),
        "inch ** 2": ("in²", "in2", "in^2", "sq in"),
    },
)
VOLUME = Measure(
    name="volume",
    example="6.1 cm³ or 0.37 cu in",
    own="centimeter ** 3",
    shown="cm³",
    bare="centimeter ** 3",
    limit=1e6,
    spellings={
        "centimeter ** 3": ("cm³", "cm3", "cm^3", "cc", "ccm", "ml", "milliliter", "millilitre"),
        "millimeter ** 3": ("mm³", "mm3", "mm^3"),
        "liter": ("l", "liter", "liters", "litre", "litres"),
        "inch ** 3": ("in³", "in3", "in^3", "cu in", "cu. in.", "cubic inch", "cubic inches"),
    },
)
SPEED = Measure(
    name="speed",
    example="9000 or 6000:14000:500",
    own="turn / minute",
    shown="rpm",
    bare="turn / minute",
    limit=100_000.0,
    spellings={
        "turn / minute": ("rpm", "r/min", "rev/min", "1/min", "/min", "min-1", "min⁻¹"),
        "turn / second": ("rps", "r/s", "rev/s"),
    },
)
PRESSURE = Measure(
    name="pressure",
    example="11 bar or 160 psi",
    own="pascal",
    shown="Pa",
    bare="bar",
    limit=1e9,
    spellings={
        "pascal": ("Pa", "pascal"),
        "kilopascal": ("kPa", "kilopascal"),
        "megapascal": ("MPa", "megapascal"),
        "hectopascal": ("hPa", "hectopascal"),
        "bar": ("bar", "bars"),
        "millibar": ("mbar", "millibar", "millibars"),
        "millimeter_Hg": ("mmHg", "mm Hg"),
        "inch_Hg": ("inHg", "in Hg", '"Hg'),
        "psi": ("psi", "psig", "lb/in²", "lb/in2", "lbf/in²", "lbf/in2"),
        "technical_atmosphere": ("kg/cm²", "kg/cm2", "kgf/cm²", "kgf/cm2", "at"),
        "atmosphere": ("atm",),
    },
)
TEMPERATURE = Measure(
    name="temperature",
    example="-30, 20 C or 68 F",
    own="degree_Celsius",
    shown="°C",
    bare="degree_Celsius",
    limit=100.0,
    spellings={
        "degree_Celsius": ("°C", "C", "deg C", "degC", "℃", "celsius", "degrees C"),
        "degree_Fahrenheit": ("°F", "F", "deg F", "degF", "℉", "fahrenheit", "degrees F"),
        "kelvin": ("K", "kelvin"),
    },
)
ALTITUDE = Measure(
    name="altitude",
    example="600 m or 2000 ft",
    own="meter",
    shown="m",
    bare="meter",
    limit=11_000.0,
    spellings={
        "meter": ("m", "meter", "meters", "metre", "metres"),
        "kilometer": ("km", "kilometer", "kilometers", "kilometre", "kilometres"),
        "foot": ("ft", "foot", "feet"),
    },
)


def spelled_units(measure: Measure) -> dict[str, str]:
    """Return every spelling that is understood.

    Parameters
    ----------
    measure : Measure

    Returns
    -------
    dict of str to str
        Spelling to pint's name of the unit.

    Examples
    --------
    >>> spelled_units(LENGTH)["thou"], spelled_units(VOLUME)["cc"]
    ('thou', 'centimeter ** 3')
    """
    return {spelling: name for name, group in measure.spellings.items() for spelling in group}


def converted(number: float, unit: str, own: str) -> float:
    """Return an amount in another unit.

    Parameters
    ----------
    number : float
        Amount in `unit`.
    unit, own : str
        pint's names, of one dimension.

    Returns
    -------
    float
        Amount in `own`.

    Examples
    --------
    >>> round(converted(20, "thou", "millimeter"), 6)
    0.508
    """
    return float(_converter()(number, unit, own))


@cache
def _converter() -> Callable[[float, str, str], float]:
    import pint  # its full registry would take another 0.2 s

    registry: pint.UnitRegistry[float] = pint.UnitRegistry(None)
    registry.load_definitions(_DEFINITIONS.strip().splitlines())
    return lambda number, unit, own: registry.Quantity(number, unit).m_as(own)
