"""Quantities: text such as "50 mm" or "2600 psi" to an exact number in the canonical unit of its dimension.

1. A quantity is one decimal number, one space, one unit; ASCII only, at most `TEXT_MAX` characters, no exponent.
2. The result is a `Fraction`: nothing is rounded, so two PCs get the same bits from the same file.
3. Only a unit of the key's own dimension is taken; there is no guessing and no conversion between dimensions.
4. Pressures are gauge pressures; angles stay in degrees, everything else is SI.

Factors of the non-metric units follow from these exact definitions: inch 25.4 mm, pound 0.45359237 kg, standard gravity
9.80665 m/s2, US gallon 231 cubic inches, horsepower 550 foot pounds-force a second.
Source: NIST Special Publication 811 (2008), appendix B.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

TEXT_MAX = 32
NUMBER_PATTERN = r"[+-]?(0|[1-9][0-9]*)(\.[0-9]+)?"

_NUMBER = re.compile(NUMBER_PATTERN, re.ASCII)
_NUMBER_THEN_UNIT = re.compile(rf"({NUMBER_PATTERN})(?P<unit>[A-Za-z%].*)", re.ASCII)
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+", re.ASCII)
_EXPONENT = re.compile(r"[+-]?[0-9.]+[eE][+-]?[0-9]+", re.ASCII)

_INCH_M = Fraction(254, 10_000)
_FOOT_M = 12 * _INCH_M
_POUND_KG = Fraction(45_359_237, 100_000_000)
_POUND_FORCE_N = _POUND_KG * Fraction(980_665, 100_000)
_PSI_PA = _POUND_FORCE_N / _INCH_M**2
_GALLON_M3 = 231 * _INCH_M**3
_LITRE_M3 = Fraction(1, 1000)
_HORSEPOWER_W = 550 * _FOOT_M * _POUND_FORCE_N


@dataclass(frozen=True, slots=True, kw_only=True)
class Dimension:
    """A kind of quantity: its units with their factors to the canonical one, and an example for messages."""

    name: str  # as the schema names it
    noun: str  # as a message names it: "a pressure"
    canonical: str
    example: str
    units: dict[str, Fraction]

    def unit_list(self) -> str:
        """The units for a sentence: "mm, cm or m"."""
        names = list(self.units)
        return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " or " + names[-1]


class QuantityError(ValueError):
    """Text that is not a quantity of the dimension asked for; three parts, as every message of the reader has them."""

    def __init__(self, found: str, allowed: str, remedy: str) -> None:
        super().__init__(f"{found}; {allowed}; {remedy}")
        self.found = found
        self.allowed = allowed
        self.remedy = remedy


def _dimension(name: str, noun: str, canonical: str, example: str, **units: Fraction | int) -> Dimension:
    """Unit names are written as Python words here: "l_per_min" is l/min, "N_m" is N m, "percent" is %."""
    spelled = {
        word.replace("_per_", "/").replace("_", " ").replace("percent", "%"): Fraction(factor)
        for word, factor in units.items()
    }
    return Dimension(name=name, noun=noun, canonical=canonical, example=example, units=spelled)


_MILLI, _KILO, _MEGA, _GIGA = Fraction(1, 1000), Fraction(1000), Fraction(10**6), Fraction(10**9)

DIMENSIONS: dict[str, Dimension] = {
    dimension.name: dimension
    for dimension in (
        _dimension(
            "length", "a length", "m", "50 mm",
            mm=_MILLI, cm=Fraction(1, 100), m=1, **{"in": _INCH_M}, ft=_FOOT_M,
        ),
        _dimension("angle", "an angle", "deg", "40 deg", deg=1),
        _dimension("angular_speed", "a turning speed", "deg/s", "40 deg/s", deg_per_s=1, rev_per_min=6),
        _dimension("angular_acceleration", "a turning acceleration", "deg/s2", "30 deg/s2", deg_per_s2=1),
        _dimension(
            "speed", "a speed", "m/s", "250 mm/s", mm_per_s=_MILLI, m_per_s=1, in_per_s=_INCH_M, ft_per_s=_FOOT_M
        ),
        _dimension("time", "a time", "s", "12 ms", us=Fraction(1, 10**6), ms=_MILLI, s=1),
        _dimension("frequency", "a frequency", "Hz", "1.5 Hz", Hz=1),
        _dimension("gain", "a gain", "1/s", "1.0 1/s", **{"1/s": 1}),
        _dimension("share", "a share", "1", "20 %", percent=Fraction(1, 100)),
        _dimension("share_rate", "a rate of change of a share", "1/s", "500 %/s", percent_per_s=Fraction(1, 100)),
        _dimension(
            "pressure", "a pressure", "Pa", "180 bar",
            bar=Fraction(10**5), psi=_PSI_PA, Pa=1, kPa=_KILO, MPa=_MEGA, GPa=_GIGA,
        ),
        _dimension(
            "flow", "a flow", "m3/s", "38 l/min",
            l_per_min=_LITRE_M3 / 60, gpm=_GALLON_M3 / 60, l_per_s=_LITRE_M3, cm3_per_s=Fraction(1, 10**6), m3_per_s=1,
        ),
        _dimension(
            "displacement", "a displacement", "m3/rev", "80 cm3/rev",
            cm3_per_rev=Fraction(1, 10**6), in3_per_rev=_INCH_M**3, l_per_rev=_LITRE_M3,
        ),
        _dimension("mass", "a mass", "kg", "200 kg", kg=1, t=_KILO, lb=_POUND_KG),
        _dimension("density", "a density", "kg/m3", "870 kg/m3", kg_per_m3=1, lb_per_ft3=_POUND_KG / _FOOT_M**3),
        _dimension("power", "a power", "W", "22 kW", W=1, kW=_KILO, hp=_HORSEPOWER_W),
        _dimension(
            "torque", "a torque", "N m", "325 N m",
            N_m=1, kN_m=_KILO, lbf_ft=_POUND_FORCE_N * _FOOT_M, lbf_in=_POUND_FORCE_N * _INCH_M,
        ),
    )
}  # fmt: skip

_WRITTEN_OTHERWISE = {
    "°": "deg", "º": "deg", "degree": "deg", "degrees": "deg", "°/s": "deg/s", "rad": "deg", "rad/s": "deg/s",
    "rpm": "rev/min", "lpm": "l/min", "L/min": "l/min", "lps": "l/s", "deg/s^2": "deg/s2", "deg/s²": "deg/s2",
    "°/s²": "deg/s2", "kg/m^3": "kg/m3", "kg/m³": "kg/m3", "cc/rev": "cm3/rev", "cm³/rev": "cm3/rev",
    "cc": "cm3/rev", "Nm": "N m", "N*m": "N m", "kNm": "kN m", "ft lbf": "lbf ft", "ft-lb": "lbf ft", "sec": "s",
    "msec": "ms", "µs": "us", "inch": "in", "inches": "in", '"': "in", "lbs": "lb", "kgs": "kg", "percent": "%",
    "pct": "%", "/s": "1/s", "s-1": "1/s", "kp/cm2": "bar", "PSI": "psi", "GPM": "gpm", "HP": "hp",
}  # fmt: skip


def pattern(dimension: Dimension) -> str:
    """The regular expression (ECMA 262, as JSON Schema wants it) of what `parse` takes, the length apart."""
    units = "|".join(re.escape(unit).replace("\\ ", " ").replace("\\%", "%") for unit in dimension.units)
    return rf"^{NUMBER_PATTERN} ({units})$"


def shown(text: str, longest: int = 40) -> str:
    """`text` in double quotes, shortened, with everything that is not printable ASCII or a letter escaped."""
    cut = text if len(text) <= longest else text[: longest - 3] + "..."
    escaped = "".join(c if c.isprintable() and c not in '"\\' else c.encode("unicode_escape").decode() for c in cut)
    return '"' + escaped.replace('"', '\\"') + '"'


def parse(text: str, dimension: Dimension) -> Fraction:
    """Reads one quantity.

    Args:
        text: for example "50 mm".
        dimension: one of `DIMENSIONS`.
    Returns:
        The exact value in `dimension.canonical`.
    Raises:
        QuantityError: anything but one number, one space, one unit of this dimension.
    """
    number, space, unit = text.partition(" ")
    if len(text) <= TEXT_MAX and space and _NUMBER.fullmatch(number) and unit in dimension.units:
        return Fraction(number) * dimension.units[unit]
    raise _why_not(text, dimension)


def _why_not(text: str, dimension: Dimension) -> QuantityError:
    """The most helpful explanation of why `text` is refused; the order of the cases is from form to meaning."""
    allowed = f"{dimension.noun} has one number, one space and one of {dimension.unit_list()}"
    example = f'write for example "{dimension.example}"'
    found = shown(text)
    if len(text) > TEXT_MAX:
        return QuantityError(f"{found} has {len(text)} characters", f"a quantity has at most {TEXT_MAX}", example)
    if text.strip() == "":
        return QuantityError("nothing between the quotes", allowed, example)
    if text != text.strip() or "  " in text or re.search(r"[\t\r\n]", text):
        return QuantityError(
            f"{found} has blanks in the wrong place", allowed, f"write {shown(' '.join(text.split()))}"
        )
    number, space, unit = text.partition(" ")
    if not space:
        return _without_space(text, dimension, allowed)
    if not _NUMBER.fullmatch(number):
        return _bad_number(number, unit, found, allowed, dimension)
    return _bad_unit(number, unit, dimension)


def _without_space(text: str, dimension: Dimension, allowed: str) -> QuantityError:
    example = f'write for example "{dimension.example}"'
    if _NUMBER.fullmatch(text):
        return QuantityError(f"{shown(text)} has no unit", allowed, example)
    glued = _NUMBER_THEN_UNIT.fullmatch(text)
    if glued and glued["unit"] in dimension.units:
        return QuantityError(
            f"{shown(text)} has no space before the unit", allowed, f'write "{glued[1]} {glued["unit"]}"'
        )
    return QuantityError(f"{shown(text)} is not a quantity", allowed, example)


def _bad_number(number: str, unit: str, found: str, allowed: str, dimension: Dimension) -> QuantityError:
    example = f'write for example "{dimension.example}"'
    if not number.isascii():
        return QuantityError(f"{found} has a character that is not ASCII in its number", allowed, example)
    if _COMMA.fullmatch(number):
        return QuantityError(
            f"{found} has a comma in its number",
            "the decimal sign is a point and digits are not grouped",
            f"write {shown(number.replace(',', '.') + ' ' + unit)} if that is what is meant",
        )
    if _EXPONENT.fullmatch(number):
        return QuantityError(f"{found} has an exponent", "a number is written out in full", example)
    plain = number.lstrip("+-").replace(".", "", 1)
    if plain.isdigit():
        return QuantityError(
            f"{found} has a number that starts or ends with a point, or starts with a needless zero",
            "a number has digits on both sides of its point and no zero in front of other digits",
            example,
        )
    return QuantityError(f"{found} does not begin with a number", allowed, example)


def _bad_unit(number: str, unit: str, dimension: Dimension) -> QuantityError:
    allowed = f"{dimension.noun} is given in {dimension.unit_list()}"
    example = f'write for example "{dimension.example}"'
    found = f"unit {shown(unit)} is not known"
    homes = [other for other in DIMENSIONS.values() if unit in other.units]
    if homes:
        home = homes[0].noun.partition(" ")[2]  # without its article
        return QuantityError(f"{shown(unit)} is a unit of {home}", allowed, example)
    same_letters = [name for name in dimension.units if name.lower() == unit.lower()]
    if same_letters:
        return QuantityError(found, f"{allowed}, spelled just so", f'write "{number} {same_letters[0]}"')
    other = _WRITTEN_OTHERWISE.get(unit)
    if other in dimension.units:
        remedy = "convert the value to degrees" if unit.startswith("rad") else f'write "{number} {other}"'
        if unit == "kp/cm2":
            remedy = "convert the value to bar"
        return QuantityError(found, allowed, remedy)
    return QuantityError(found, allowed, example)
