"""Lengths and small slopes as a workshop writes them, in inches and in millimetres.

Inside the package every length is in mm and every angle in degrees; only this module knows other units.
A units library would do more than is needed here and takes longer to import than the whole command line
(a third of a second and more), so a small strict grammar over exact fractions stands in its place.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from visioncheck.errors import UserError

UnitWorld = Literal["in", "mm"]

MM_PER_IN = 25.4
_EXACT_MM_PER_IN = Fraction(254, 10)
_MM_PER = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "m": Fraction(1000),
    "in": _EXACT_MM_PER_IN,
    '"': _EXACT_MM_PER_IN,
    "ft": 12 * _EXACT_MM_PER_IN,
    "'": 12 * _EXACT_MM_PER_IN,
    "thou": _EXACT_MM_PER_IN / 1000,
}
# typographic primes and quotes arrive from copied text and phone keyboards
_SAME_SIGN = str.maketrans({"″": '"', "”": '"', "“": '"', "′": "'", "’": "'", "‘": "'", "−": "-", "⁄": "/"})
_NUMBER = (
    r"(?:(?P<whole>\d{1,6})[ -]+)?(?P<top>\d{1,6})/(?P<bottom>\d{1,6})|(?P<decimal>\d{1,9}(?:\.\d{0,20})?|\.\d{1,20})"
)
_UNIT = r"thou|mm|cm|m|in|ft|\"|'"
_TERM = re.compile(rf"\s*(?:{_NUMBER})\s*(?P<unit>{_UNIT})?(?![A-Za-z.])\s*")
_EXAMPLES = "for example 18mm, 1.0235in, 12 7/32in or 2ft 3 1/2in"


def parse_length(text: str, default_unit: str | None = None) -> float:
    """Read a length such as ``18mm``, ``3/4in``, ``12 7/32"``, ``2ft 3 1/2in`` or ``4thou``.

    Parameters
    ----------
    text : str
        Decimal, fraction or mixed number with a unit: mm, cm, m, in, ``"``, ft, ``'``, thou. A sign may lead.
        Feet may be followed by inches.
    default_unit : str or None
        The unit of a bare number; None refuses bare numbers.

    Returns
    -------
    float
        The length in mm, rounded once at the end.

    Raises
    ------
    UserError
        When the text is no length or has no unit.
    """
    rest = text.strip().translate(_SAME_SIGN).lower()
    sign = -1 if rest.startswith("-") else 1
    rest = rest[1:] if rest[:1] in {"-", "+"} else rest
    terms: list[tuple[Fraction, str | None]] = []
    position = 0
    while position < len(rest):
        match = _TERM.match(rest, position)
        if match is None:
            raise UserError(f"{text!r} is not a length; write {_EXAMPLES}")
        terms.append((_number(match, text), match["unit"]))
        position = match.end()
    return sign * float(_sum_terms(terms, text, default_unit))


def mm_per(unit: str) -> float | None:
    """Say how many mm a unit of length has; None where it is none.

    >>> mm_per("in"), mm_per("deg")
    (25.4, None)
    """
    return float(_MM_PER[unit]) if unit in _MM_PER else None


def split_doubt(text: str) -> tuple[str, str | None]:
    """Part ``12.3mm ± 0.1mm`` (or ``+-``, ``+/-``) into the value and what may be wrong with it, None if not told."""
    value, sign, doubt = re.split(r"(±|\+/?-|$)", text, maxsplit=1)
    return value.strip(), doubt.strip() if sign else None


def last_digit_mm(text: str, default_unit: str | None = None) -> float:
    """What one step in the last digit of a length as typed is worth, mm: 0.1 for ``12.3mm``.

    Of a fraction it is a step of its denominator, but at most 1/32 in: who reads a rule to thirty-seconds writes 3/4 in
    all the same, not 24/32 in (common practice, no source).
    """
    *_, last = _TERM.finditer(text.strip().lstrip("+-").translate(_SAME_SIGN).lower())
    unit = _MM_PER[last["unit"] or default_unit or "mm"]
    if last["decimal"] is None:
        return float(min(unit / int(last["bottom"]), _EXACT_MM_PER_IN / 32))
    return float(unit / 10 ** len(last["decimal"].partition(".")[2]))


def _number(match: re.Match[str], text: str) -> Fraction:
    if match["decimal"] is not None:
        return Fraction(match["decimal"])
    if int(match["bottom"]) == 0:
        raise UserError(f"{text!r} divides by zero; write {_EXAMPLES}")
    return int(match["whole"] or 0) + Fraction(int(match["top"]), int(match["bottom"]))


def _sum_terms(terms: list[tuple[Fraction, str | None]], text: str, default_unit: str | None) -> Fraction:
    if len(terms) == 1:
        value, unit = terms[0]
        unit = unit or default_unit
        if unit is None:
            raise UserError(f"{text!r} has no unit; write {_EXAMPLES}")
        return value * _MM_PER[unit]
    # the only sum that people write is feet and inches
    if len(terms) == 2 and terms[0][1] in {"ft", "'"} and terms[1][1] in {"in", '"'}:
        return sum((value * _MM_PER[unit] for value, unit in terms if unit), Fraction(0))
    raise UserError(f"{text!r} is not a length; write {_EXAMPLES}")


def parse_slope(text: str) -> float:
    """Read a small slope such as ``0.005in/ft``, ``1/64 in/ft``, ``0.3mm/m`` or ``0.02deg``.

    Returns
    -------
    float
        Rise over run, without unit (the tangent of the angle).

    Raises
    ------
    UserError
        When the text is no slope, or one steeper than one in one.
    """
    rest = text.strip().translate(_SAME_SIGN).lower()
    angle = re.fullmatch(r"([+-]?(?:\d{1,3}(?:\.\d{0,20})?|\.\d{1,20}))\s*(?:deg|°)", rest)
    rise, slash, run = rest.rpartition("/")
    if angle:
        slope = math.tan(math.radians(float(angle[1]))) if abs(float(angle[1])) < 45 else math.inf
    elif slash and rise.strip():
        run = run.strip()
        run_mm = float(_MM_PER[run]) if run in _MM_PER else _length_or_nan(run)
        slope = _length_or_nan(rise) / run_mm if run_mm > 0 else math.nan
    else:
        slope = math.nan
    if abs(slope) >= 1:
        raise UserError(f"{text!r} is as steep as one in one, or steeper; write a small slope such as 0.005in/ft")
    if math.isnan(slope):
        raise UserError(f"{text!r} is not a small slope; write for example 0.005in/ft, 0.3mm/m or 0.02deg")
    return slope


def _length_or_nan(text: str) -> float:
    try:
        return parse_length(text)
    except UserError:
        return math.nan


def format_length(mm: float, units: UnitWorld, fraction_denominator: int | None = None) -> str:
    """Write a length: ``1.024 in``, ``12 7/32 in`` or ``26.00 mm``.

    Parameters
    ----------
    mm : float
        The length in mm.
    units : {"in", "mm"}
        Which world.
    fraction_denominator : int or None
        For inches: round to this fraction (at most 64) instead of thousandths.
    """
    if units == "mm":
        return f"{_no_minus_zero(mm, 2)} mm"
    inches = mm / MM_PER_IN
    if fraction_denominator is None:
        return f"{_no_minus_zero(inches, 3)} in"
    if not 1 <= fraction_denominator <= 64:
        raise ValueError(f"no rule is divided into 1/{fraction_denominator} in")
    steps = round(abs(inches) * fraction_denominator)
    whole, part = divmod(Fraction(steps, fraction_denominator), 1)
    words = [str(whole)] if whole or not part else []
    words += [f"{part.numerator}/{part.denominator}"] if part else []
    return ("-" if inches < 0 and steps else "") + " ".join(words) + " in"


def format_run(mm: float, units: UnitWorld) -> str:
    """Write a long distance that needs no fine digits, such as a fence's length: ``30 in`` or ``750 mm``."""
    return format_length(mm, "in", 16) if units == "in" else f"{mm:.4g} mm"


def format_small(mm: float, units: UnitWorld) -> str:
    """Write a small distance, such as the move of a fence: ``2.5 thou`` or ``0.064 mm``."""
    if units == "mm":
        return f"{_no_minus_zero(mm, 3)} mm"
    return f"{_no_minus_zero(1000 * mm / MM_PER_IN, 1)} thou"


def slope_from_deg(angle_deg: float) -> float:
    """Give the tangent of an angle in degrees."""
    return math.tan(math.radians(angle_deg))


def deg_from_slope(slope: float) -> float:
    """Give the angle in degrees whose tangent is `slope`."""
    return math.degrees(math.atan(slope))


def in_per_ft_from_deg(angle_deg: float) -> float:
    """Give an angle in degrees as inches of rise over a foot."""
    return 12 * slope_from_deg(angle_deg)


def mm_per_m_from_deg(angle_deg: float) -> float:
    """Give an angle in degrees as mm of rise over a metre."""
    return 1000 * slope_from_deg(angle_deg)


@dataclass(frozen=True, slots=True)
class ErrorWays:
    """One angular error said in every way a workshop says it, each already rounded and with its unit."""

    deg: str
    in_per_ft: str
    mm_per_m: str
    over_length: str | None

    def __str__(self) -> str:
        ways = [self.deg, self.in_per_ft, self.mm_per_m, *([self.over_length] if self.over_length else [])]
        return " = ".join(ways)


def format_error(
    error_deg: float, fence_length_mm: float | None = None, units: UnitWorld = "mm", *, signed: bool = True
) -> ErrorWays:
    """Say one angular error in degrees, in/ft, mm/m and, given the fence's length, over that length.

    Parameters
    ----------
    error_deg : float
        The error, degrees.
    fence_length_mm : float or None
        Length over which to say it as well, mm.
    units : {"in", "mm"}
        Units of the length.
    signed : bool
        Keep the sign; without it the size alone is given.
    """
    value = error_deg if signed else abs(error_deg)
    sign = "+" if signed else ""
    over = None
    if fence_length_mm is not None:
        rise = format_small(fence_length_mm * slope_from_deg(value), units)
        over = f"{rise} over {format_run(fence_length_mm, units)}"
    return ErrorWays(
        deg=f"{_no_minus_zero(value, 3, sign)}°",
        in_per_ft=f"{_no_minus_zero(in_per_ft_from_deg(value), 4, sign)} in/ft",
        mm_per_m=f"{_no_minus_zero(mm_per_m_from_deg(value), 2, sign)} mm/m",
        over_length=over,
    )


def _no_minus_zero(value: float, digits: int, sign: str = "") -> str:
    """Round to a decimal; "-0.00" is written without its sign."""
    return f"{round(value, digits) + 0.0:{sign}.{digits}f}"
