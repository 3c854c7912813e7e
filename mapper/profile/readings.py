"""What a number that is not written as the format wants it may mean: only for the remedies of messages.

Nothing is ever read with this. A message offers what it returns, and the builder decides.
"""

from __future__ import annotations

import re
from decimal import Decimal, localcontext
from fractions import Fraction

CURLY_QUOTES = "“”„‟«»‘’‚‛`´″′＂"
"""Marks that word processors and some keyboards give instead of the straight quotes of TOML."""

LOOSE_NUMBER = r"[+\-−]?(?:[0-9]|[.,](?=[0-9]))(?:[0-9]|[.,](?=[0-9]))*\.?"
"""A number with points and commas between its digits, or a point at either end; U+2212 is a minus too."""

_EXPONENT = re.compile(r"([+-]?[0-9]+(?:\.[0-9]+)?)[eE]([+-]?[0-9]{1,2})", re.ASCII)
_EXPONENT_MAX = 12
_LOOSE = re.compile(LOOSE_NUMBER, re.ASCII)
_GAPS = re.compile(r"(?<=[0-9])[ '_\u00a0\u202f](?=[0-9]{3}(?![0-9]))", re.ASCII)


def without_gaps(text: str) -> str:
    """`text` with the blanks, apostrophes and underscores taken out that group digits by threes: "1 000" is "1000"."""
    return _GAPS.sub("", text)


def number_readings(text: str) -> tuple[str, ...]:
    """What `text` may mean, as decimal numbers of the format's own form.

    Returns:
        One number; two where one comma stands before three digits, first with the comma grouping digits, then with it
        as the decimal mark; none where no reading is likely.
    """
    exponent = _EXPONENT.fullmatch(text)
    if exponent and abs(int(exponent[2])) <= _EXPONENT_MAX:
        return (decimal_text(Fraction(exponent[1]) * Fraction(10) ** int(exponent[2])),)
    if not _LOOSE.fullmatch(text):
        return ()
    sign = "-" if text[0] in "-−" else ""
    return tuple(sign + _plain(reading) for reading in _ungrouped(text.lstrip("+-−")))


def decimal_text(value: Fraction | int) -> str:
    """The exact decimal number of a value that has one: without exponent and needless zeros."""
    with localcontext() as context:
        context.prec = 400
        return f"{(Decimal(value.numerator) / Decimal(value.denominator)).normalize():f}"


def _ungrouped(digits: str) -> tuple[str, ...]:
    """`digits` with a point as its only mark, in every likely reading."""
    points, commas = digits.count("."), digits.count(",")
    if commas == 0:
        if points <= 1:
            return (digits,)
        return (digits.replace(".", ""),) if _is_grouped(digits, ".") else ()
    if points == 0:
        if commas > 1:
            return (digits.replace(",", ""),) if _is_grouped(digits, ",") else ()
        decimal = digits.replace(",", ".")
        return (digits.replace(",", ""), decimal) if _is_grouped(digits, ",") else (decimal,)
    # Both marks: the last one is the decimal mark.
    mark, group = (",", ".") if digits.rfind(",") > digits.rfind(".") else (".", ",")
    whole, _, rest = digits.rpartition(mark)
    return (f"{whole.replace(group, '')}.{rest}",) if _is_grouped(whole, group) else ()


def _is_grouped(digits: str, mark: str) -> bool:
    return re.fullmatch(rf"[1-9][0-9]{{0,2}}({re.escape(mark)}[0-9]{{3}})+", digits, re.ASCII) is not None


def _plain(number: str) -> str:
    whole, _, rest = number.partition(".")
    return (whole.lstrip("0") or "0") + (f".{rest}" if rest else "")
