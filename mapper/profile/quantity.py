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

from mapper.profile.readings import CURLY_QUOTES, LOOSE_NUMBER, decimal_text, number_readings, without_gaps

TEXT_MAX = 32
NUMBER_PATTERN = r"[+-]?(0|[1-9][0-9]*)(\.[0-9]+)?"

_NUMBER = re.compile(NUMBER_PATTERN, re.ASCII)
_LOOSE_QUANTITY = re.compile(
    rf"(?P<number>[+-]?[0-9]+(?:\.[0-9]+)?[eE][+-]?[0-9]+|{LOOSE_NUMBER})[ \t\r\n\u00a0]*(?P<unit>.*)",
    re.ASCII | re.DOTALL,
)
_COMMA = re.compile(r"[+-]?[0-9.]*,[0-9.,]*", re.ASCII)
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
_TO_CONVERT = {"rad": "degrees", "rad/s": "degrees a second", "kp/cm2": "bar"}
"""Units that are not another spelling of ours: the number changes too."""


def pattern(dimension: Dimension) -> str:
    """The regular expression (ECMA 262, as JSON Schema wants it) of what `parse` takes, the length apart."""
    units = "|".join(re.escape(unit).replace("\\ ", " ").replace("\\%", "%") for unit in dimension.units)
    return rf"^{NUMBER_PATTERN} ({units})$"


def shown(text: str, longest: int = 40) -> str:
    """`text` in double quotes, shortened, with everything that is not printable ASCII or a letter escaped."""
    cut = text if len(text) <= longest else text[: longest - 3] + "..."
    escaped = "".join(c if c.isprintable() and c not in '"\\' else c.encode("unicode_escape").decode() for c in cut)
    return '"' + escaped.replace('"', '\\"') + '"'


def parse(text: str, dimension: Dimension, *, example: str | None = None) -> Fraction:
    """Reads one quantity.

    Args:
        text: for example "50 mm".
        dimension: one of `DIMENSIONS`.
        example: of the key that is read, for messages; without it that of the dimension.
    Returns:
        The exact value in `dimension.canonical`.
    Raises:
        QuantityError: anything but one number, one space, one unit of this dimension.
    """
    number, space, unit = text.partition(" ")
    if len(text) <= TEXT_MAX and space and _NUMBER.fullmatch(number) and unit in dimension.units:
        return Fraction(number) * dimension.units[unit]
    raise _why_not(text, dimension, example or dimension.example)


def remedy_for(text: str, dimension: Dimension, example: str) -> str:
    """What to write instead of `text`: the number that was found with its right unit, else the example.

    Whatever is offered in quotes is a quantity of `dimension`.
    """
    loose = _LOOSE_QUANTITY.fullmatch(without_gaps(_without_quotes(text)).strip())
    numbers = number_readings(loose["number"]) if loose else ()
    if not loose or not numbers:
        return f'write for example "{example}"'
    written = loose["unit"].strip()
    unit, sure = _unit_meant(written, dimension), True
    if written == "":
        if dimension.name == "share" and len(numbers) == 1 and abs(Fraction(numbers[0])) <= 1:
            return _percent_offer(Fraction(numbers[0]))
        unit, sure = example.partition(" ")[2], len(dimension.units) == 1
    elif unit is None:
        unit = _related_unit(written, dimension)
        sure = False
    offers = [f"{number} {unit}" for number in numbers]
    if unit is None or any(len(offer) > TEXT_MAX for offer in offers):
        return f'write for example "{example}"'
    if len(offers) > 1:
        return f'write "{offers[0]}" if the comma groups digits, "{offers[1]}" if it is the decimal mark'
    if written == "" and not sure:
        return f'write it with its unit, for example "{offers[0]}"'
    return f'write "{offers[0]}"' if sure else f'write "{offers[0]}" if that is what is meant'


def unit_spelled(unit: str) -> str:
    """`unit` as the format spells it where it is a known other spelling of a unit, else as it is."""
    return unit if unit in _TO_CONVERT else _WRITTEN_OTHERWISE.get(unit, unit)


def _percent_offer(share: Fraction) -> str:
    """A share without a unit from -1 to 1 is most likely a part of one, not per cent."""
    percent = f'"{decimal_text(100 * share)} %"'
    if abs(share) == 1:
        return f'write {percent} if full scale is meant, else "{decimal_text(share)} %"'
    return f"write {percent}"


def _without_quotes(text: str) -> str:
    return text.strip(CURLY_QUOTES + "\"' ")


def _unit_meant(unit: str, dimension: Dimension) -> str | None:
    """The unit of `dimension` that `unit` is another spelling of."""
    if unit in dimension.units:
        return unit
    if unit_spelled(unit) in dimension.units:
        return unit_spelled(unit)
    same_letters = [name for name in dimension.units if name.lower() == unit.lower()]
    return same_letters[0] if same_letters else None


def _related_unit(unit: str, dimension: Dimension) -> str | None:
    """The unit that differs from `unit` by a missing or needless "per second" and the like: deg/s for deg."""
    unit = unit_spelled(unit)
    for name in dimension.units:
        if any(long.startswith(short) and long[len(short)] in "/2" for short, long in _by_length(name, unit)):
            return name
    return None


def _by_length(one: str, two: str) -> list[tuple[str, str]]:
    """The two as (shorter, longer); none of equal length."""
    return [] if len(one) == len(two) else [(one, two) if len(one) < len(two) else (two, one)]


def _why_not(text: str, dimension: Dimension, example: str) -> QuantityError:
    """The most helpful explanation of why `text` is refused; the order of the cases is from form to meaning."""
    allowed = f"{dimension.noun} has one number, one space and one of {dimension.unit_list()}"
    found = shown(text)
    if len(text) > TEXT_MAX:
        return QuantityError(
            f"{found} has {len(text)} characters",
            f"a quantity has at most {TEXT_MAX}",
            f'write for example "{example}"',
        )
    remedy = remedy_for(text, dimension, example)
    if text.strip() == "":
        return QuantityError("nothing between the quotes", allowed, remedy)
    if _without_quotes(text) != text.strip():
        return QuantityError(f"{found} has quotes inside its quotes", allowed, remedy)
    if without_gaps(text) != text:
        return QuantityError(f"{found} has its digits grouped", "the digits of a number stand together", remedy)
    if text != text.strip() or "  " in text or re.search(r"[\t\r\n]", text):
        return QuantityError(f"{found} has blanks in the wrong place", allowed, remedy)
    number, space, unit = text.partition(" ")
    if not space:
        return QuantityError(f"{found} {_without_space(text)}", allowed, remedy)
    if not _NUMBER.fullmatch(number):
        return _bad_number(number, found, allowed, remedy)
    return _bad_unit(unit, dimension, remedy)


def _without_space(text: str) -> str:
    if _NUMBER.fullmatch(text):
        return "has no unit"
    if _COMMA.fullmatch(text):
        return "has a comma in its number, and no unit"
    loose = _LOOSE_QUANTITY.fullmatch(text)
    return "has no space before the unit" if loose and loose["unit"] else "is not a quantity"


def _bad_number(number: str, found: str, allowed: str, remedy: str) -> QuantityError:
    if not number.isascii():
        return QuantityError(f"{found} has a character that is not ASCII in its number", allowed, remedy)
    if _COMMA.fullmatch(number):
        return QuantityError(
            f"{found} has a comma in its number", "the decimal mark is a point and digits are not grouped", remedy
        )
    if _EXPONENT.fullmatch(number):
        return QuantityError(f"{found} has an exponent", "a number is written out in full", remedy)
    plain = number.lstrip("+-").replace(".", "", 1)
    if plain.isdigit():
        return QuantityError(
            f"{found} has a number that starts or ends with a point, or starts with a needless zero",
            "a number has digits on both sides of its point and no zero in front of other digits",
            remedy,
        )
    return QuantityError(f"{found} does not begin with a number", allowed, remedy)


def _bad_unit(unit: str, dimension: Dimension, remedy: str) -> QuantityError:
    allowed = f"{dimension.noun} is given in {dimension.unit_list()}"
    homes = [other for other in DIMENSIONS.values() if unit in other.units]
    if homes:
        home = homes[0].noun.partition(" ")[2]  # without its article
        return QuantityError(f"{shown(unit)} is a unit of {home}", allowed, remedy)
    found = f"unit {shown(unit)} is not known"
    meant = _unit_meant(unit, dimension)
    if meant is not None and meant.lower() == unit.lower():
        return QuantityError(found, f"{allowed}, spelled just so", remedy)
    if unit in _TO_CONVERT and _WRITTEN_OTHERWISE[unit] in dimension.units:
        return QuantityError(found, allowed, f"convert the value to {_TO_CONVERT[unit]}")
    return QuantityError(found, allowed, remedy)
