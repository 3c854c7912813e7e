"""Numbers that must come out the same on every PC: roundings of exact rationals, and the few irrational functions.

Digests of tables are compared between PCs, so no step may depend on the floating point or the mathematics library of
one of them. Sums and products are Fractions. Sines, roots, exponentials and pi are computed with `decimal`, whose
arithmetic is specified to the last digit (General Decimal Arithmetic), with 50 digits; each result is right to better
than ERROR, relative to 1. Where such a number is rounded, it is first moved by ERROR to the side that is safe, so that
rounding is right even where the 50 digits end just across a whole number.
"""

from __future__ import annotations

import decimal
import functools
from fractions import Fraction

ERROR = Fraction(1, 10**30)
"""Larger than any error of the functions below (for arguments below 10**6)."""

# Only methods of this context are used: an operator such as unary minus would round by the surrounding context instead.
_CONTEXT = decimal.Context(prec=50, rounding=decimal.ROUND_HALF_EVEN)


def nearest(value: Fraction) -> int:
    """The nearest whole number; a half goes up."""
    return (value + Fraction(1, 2)).__floor__()


def toward_zero(value: Fraction) -> int:
    """The whole number next to `value` on the side of zero."""
    return value.__trunc__()


def _decimal(value: Fraction) -> decimal.Decimal:
    return _CONTEXT.divide(decimal.Decimal(value.numerator), decimal.Decimal(value.denominator))


def root(value: Fraction) -> Fraction:
    """Square root of a number that is not negative."""
    return Fraction(_CONTEXT.sqrt(_decimal(value)))


@functools.cache
def pi() -> Fraction:
    """Pi: 16 atan(1/5) - 4 atan(1/239) (Machin, 1706)."""

    def atan_of_reciprocal(number: int) -> Fraction:
        total, power, index = Fraction(0), Fraction(1, number), 0
        while power > Fraction(1, 10**60):
            term = power / (2 * index + 1)
            total += -term if index % 2 else term
            power /= number * number
            index += 1
        return total

    value = 16 * atan_of_reciprocal(5) - 4 * atan_of_reciprocal(239)
    return Fraction(_decimal(value))


def sine_cosine(angle_deg: Fraction) -> tuple[Fraction, Fraction]:
    """Sine and cosine of an angle in degrees: Taylor's series, after the angle was brought into -180 .. 180 deg
    exactly.
    """
    turns = (angle_deg + 180) // 360
    angle = _decimal((angle_deg - 360 * turns) * pi() / 180)
    square = _CONTEXT.multiply(angle, angle)
    sums = [decimal.Decimal(0), decimal.Decimal(0)]
    term = decimal.Decimal(1)
    odd_term = angle
    for index in range(40):  # pi ** 80 / 80! is below 1e-78
        if term.adjusted() < -45 and odd_term.adjusted() < -45:
            break
        sums[0] = _CONTEXT.add(sums[0], odd_term)
        sums[1] = _CONTEXT.add(sums[1], term)
        term = _CONTEXT.divide(_CONTEXT.multiply(term, square), decimal.Decimal(-(2 * index + 1) * (2 * index + 2)))
        odd_term = _CONTEXT.divide(
            _CONTEXT.multiply(odd_term, square), decimal.Decimal(-(2 * index + 2) * (2 * index + 3))
        )
    return Fraction(sums[0]), Fraction(sums[1])


def exponential(value: Fraction) -> Fraction:
    """e to the power of `value`, for values of at most 0."""
    return Fraction(_CONTEXT.exp(_decimal(value)))
