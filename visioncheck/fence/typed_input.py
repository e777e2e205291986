"""Readings as they were typed: their numbers, their units, and what is no such number."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from visioncheck.errors import InputError, UserError
from visioncheck.fence.mitre import require_setting
from visioncheck.saw import Saw

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.quantity import Quantity
    from visioncheck.sled.model import Sled

# standard uncertainty of one reading when nothing is said; common practice, no source
_U_CALLIPERS_MM = 0.02
_U_PROTRACTOR_DEG = 0.05
U_LENGTH_MM = 0.5
_USUAL_CUTS = 5


@dataclass(frozen=True, slots=True)
class TypedInput:
    """What was typed, and the saw it came from; of a blade's tilt its nominal angle is the blade's to the table."""

    given: dict[str, str]
    cuts: int
    saw: Saw
    default_unit: str | None
    sled_saw: Saw | None = None


def read_saw(sled: Sled | None, side: str | None, fence: str | None, nominal_deg: float | None) -> Saw:
    """Take how the saw stood from what was told, then from the sled, then the usual."""
    usual = Saw() if sled is None else sled.saw
    piece: Any = require_choice("side", side or usual.piece, ("left", "right"))
    where: Any = require_choice("fence", fence or usual.fence, ("rear", "front"))
    told = Saw(where, piece)
    if nominal_deg is None:
        # the fence stands as it does, whichever side of the blade the piece was on
        nominal_deg = 90.0 + told.sense * usual.sense * (usual.nominal_deg - 90.0)
    elif sled is not None:
        require_setting(nominal_deg, usual)
    return replace(told, nominal_deg=nominal_deg)


def read_cuts(given: Mapping[str, str]) -> int:
    """Read the number of successive cuts."""
    text = given.get("cuts", str(_USUAL_CUTS))
    if not text.strip().isdecimal() or len(text) > 4:
        raise InputError("cuts", f"<cuts> {text!r} is no number of cuts; write a whole number such as 5")
    return int(text)


def require_choice(name: str, value: str, choices: tuple[str, ...]) -> str:
    """Give the value back if it is one of these."""
    if value not in choices:
        raise InputError(name, f"<{name}> is {value!r}; it must be {' or '.join(choices)}")
    return value


def read_height(typed: TypedInput, key: str) -> float:
    """Read the height of a cut, mm; 0 where it was not typed."""
    return read_length(typed, key, 5.0) if key in typed.given else 0.0


def read_whole(given: Mapping[str, str], name: str, least: int, most: int) -> int:
    """Read a whole number between two bounds."""
    text = given[name].strip()
    if not text.isdecimal() or len(text) > 4 or not least <= int(text) <= most:
        raise InputError(name, f"<{name}> {text!r} is no whole number from {least} to {most}")
    return int(text)


def read_wedge(typed: TypedInput, key: str = "wedge") -> Quantity:
    """A gap between two faces: an angle, or its width where it is open and the length from there to its tip."""
    from visioncheck.quantity import Quantity

    if "length" in typed.given:
        import numpy as np

        from visioncheck.fence.squareness import taper_from_widths

        gap, length = read_length(typed, key, 0.0), read_length(typed, "length", 10.0)
        covariance = np.diag([length_u_mm(typed) ** 2, 0.0])
        return taper_from_widths([gap, 0.0], covariance, Quantity(length, U_LENGTH_MM, "mm"))
    return Quantity(abs(read_angle(typed, key)), angle_u_deg(typed), "deg")


def read_length(typed: TypedInput, key: str, least_mm: float) -> float:
    """Read a length, mm, of at least so much."""
    from visioncheck.units import parse_length

    try:
        length = parse_length(typed.given[key], typed.default_unit)
    except UserError as problem:
        raise InputError(key, f"<{key}>: {problem}") from None
    if not least_mm <= length <= 10_000:
        raise InputError(key, f"<{key}> is {length:g} mm; it should lie between {least_mm:g} mm and 10 m")
    return length


def read_angle(typed: TypedInput, key: str) -> float:
    """Read an angle, deg."""
    return parse_angle(key, typed.given[key])


def parse_angle(name: str, text: str) -> float:
    """Read degrees, bare or with their sign, or a slope."""
    from visioncheck.units import deg_from_slope, parse_slope

    bare = text.strip().removesuffix("deg").removesuffix("°").strip()
    try:
        value = float(bare) if set(bare) <= set("0123456789.+-") else deg_from_slope(parse_slope(text))
    except (ValueError, UserError) as problem:
        if "/" in text:  # a slope, and what is wrong with it
            raise InputError(name, f"<{name}>: {problem}") from None
        raise InputError(
            name, f"<{name}>: {text!r} is no angle; write for example 90.05, 0.1deg or 0.02in/ft"
        ) from None
    if not abs(value) < 360:
        raise InputError(name, f"<{name}>: {text!r} is no angle below a full turn")
    return value


def length_u_mm(typed: TypedInput) -> float:
    """Give the standard uncertainty of one length that was read, mm."""
    from visioncheck.units import parse_length

    if "u" not in typed.given:
        return _U_CALLIPERS_MM
    try:
        u_mm = parse_length(typed.given["u"], typed.default_unit)
    except UserError as problem:
        raise InputError("u", f"<u>: {problem}") from None
    return _positive_u(u_mm)


def angle_u_deg(typed: TypedInput) -> float:
    """Give the standard uncertainty of one angle that was read, deg."""
    return _positive_u(read_angle(typed, "u")) if "u" in typed.given else _U_PROTRACTOR_DEG


def _positive_u(u: float) -> float:
    if not u > 0 or not math.isfinite(u):
        raise InputError("u", "<u> must be larger than nothing: no reading is exact")
    return u
