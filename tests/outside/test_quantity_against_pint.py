"""Units against pint, and against NIST Special Publication 811 (2008), appendix B.8 and B.9.

pint is a general-purpose unit library; its own factors come from NIST and CODATA. It serves as a calculator here, on
text that it reads safely. Its US gallon is "gallon", its gallon a minute "gallon/minute"; it has no gauge pressure.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from mapper.profile.quantity import DIMENSIONS, parse

pytestmark = pytest.mark.outside

# Our unit, and how pint spells it together with the canonical unit.
PINT = {
    "length": ("m", {"mm": "mm", "cm": "cm", "m": "m", "in": "inch", "ft": "foot"}),
    "angle": ("degree", {"deg": "degree"}),
    "angular_speed": ("degree/s", {"deg/s": "degree/s", "rev/min": "revolution/minute"}),
    "angular_acceleration": ("degree/s**2", {"deg/s2": "degree/s**2"}),
    "speed": ("m/s", {"mm/s": "mm/s", "m/s": "m/s", "in/s": "inch/s", "ft/s": "foot/s"}),
    "time": ("s", {"us": "microsecond", "ms": "ms", "s": "s"}),
    "frequency": ("Hz", {"Hz": "Hz"}),
    "gain": ("1/s", {"1/s": "1/s"}),
    "share": ("dimensionless", {"%": "percent"}),
    "share_rate": ("1/s", {"%/s": "percent/s"}),
    "pressure": ("Pa", {"bar": "bar", "psi": "psi", "Pa": "Pa", "kPa": "kPa", "MPa": "MPa", "GPa": "GPa"}),
    "flow": (
        "m**3/s",
        {"l/min": "liter/minute", "gpm": "gallon/minute", "l/s": "liter/s", "cm3/s": "cm**3/s", "m3/s": "m**3/s"},
    ),
    # pint counts a revolution as 2 pi radians; the volume of one turn is compared.
    "displacement": ("m**3", {"cm3/rev": "cm**3", "in3/rev": "inch**3", "l/rev": "liter"}),
    "mass": ("kg", {"kg": "kg", "t": "metric_ton", "lb": "pound"}),
    "density": ("kg/m**3", {"kg/m3": "kg/m**3", "lb/ft3": "pound/foot**3"}),
    "power": ("W", {"W": "W", "kW": "kW", "hp": "horsepower"}),
    "torque": ("N*m", {"N m": "N*m", "kN m": "kN*m", "lbf ft": "force_pound*foot", "lbf in": "force_pound*inch"}),
}


@pytest.fixture(scope="module")
def registry():
    return pytest.importorskip("pint").UnitRegistry(non_int_type=Fraction, autoconvert_offset_to_baseunit=False)


def test_every_unit_of_ours_has_a_counterpart_to_compare_with() -> None:
    ours = {(name, unit) for name, dimension in DIMENSIONS.items() for unit in dimension.units}
    compared = {(name, unit) for name, (_, units) in PINT.items() for unit in units}

    assert compared == ours


@pytest.mark.parametrize("name", sorted(PINT))
def test_a_unit_has_the_factor_that_pint_has(name: str, registry) -> None:
    canonical, units = PINT[name]
    for unit, spelled in units.items():
        theirs = registry.Quantity(1, spelled).to(canonical).magnitude
        ours = parse(f"1 {unit}", DIMENSIONS[name])

        # pint works through floats where pi is involved, so turns are compared to 12 digits.
        assert float(ours) == pytest.approx(float(theirs), rel=1e-12), unit


@pytest.mark.parametrize(
    ("name", "text", "printed", "digits"),
    [
        # NIST SP 811 (2008), B.8: printed factors, to their printed digits; * marks an exact one there.
        ("pressure", "1 psi", 6.894757e3, 7),
        ("length", "1 in", 2.54e-2, 15),  # *
        ("length", "1 ft", 3.048e-1, 15),  # *
        ("mass", "1 lb", 4.5359237e-1, 8),
        ("power", "1 hp", 7.456999e2, 7),  # horsepower (550 ft lbf/s)
        ("flow", "1 gpm", 6.309020e-5, 7),  # gallon (US) per minute
        ("torque", "1 lbf ft", 1.355818, 7),  # pound-force foot
        ("torque", "1 lbf in", 1.129848e-1, 7),
        ("density", "1 lb/ft3", 1.601846e1, 7),
        ("displacement", "1 in3/rev", 1.638706e-5, 7),  # cubic inch
        ("pressure", "1 bar", 1.0e5, 15),  # *
    ],
)
def test_a_factor_rounds_to_what_nist_prints(name: str, text: str, printed: float, digits: int) -> None:
    """NIST Special Publication 811 (2008), appendix B.8, values from memory of the printed table; pint, checked above,
    carries the same definitions.
    """
    assert float(f"{float(parse(text, DIMENSIONS[name])):.{digits - 1}e}") == printed


def test_pint_itself_would_have_taken_a_comma_for_a_thousands_mark(registry) -> None:
    """Why the parser is our own: the reading of "1,5 mm" by pint, a general library, is ten times too large."""
    assert registry.Quantity("1,5 mm").to("mm").magnitude == 15
