"""Typed lengths of repeat cuts."""

from __future__ import annotations

from visioncheck import checks
from visioncheck.errors import InputError, UserError
from visioncheck.quantity import Quantity
from visioncheck.units import parse_length
from visioncheck.work.lengths import PieceLength

# standard uncertainty of one reading when nothing is said; common practice, no source
_U_CALLIPERS_MM = 0.02
_U_PROTRACTOR_DEG = 0.05


def typed_lengths(read: str, angles: str | None, u: str | None, units: str | None) -> tuple[PieceLength, ...]:
    """Take lengths with commas between, and the corners of their sawn ends.

    Raises
    ------
    InputError
        What is no length or angle, or not as many angles as lengths.
    """
    texts = [text.strip() for text in read.split(",")]
    if not 2 <= len(texts) <= checks.LENGTHS_MOST_PIECES:
        raise InputError("read", f"<read> has {len(texts)} lengths; give 2 to {checks.LENGTHS_MOST_PIECES}")
    u_mm = _U_CALLIPERS_MM if u is None else _length("u", u, units, 0.0)
    if u_mm == 0:
        raise InputError("u", "<u> must be larger than nothing: no reading is exact")
    lengths = [_length("read", text, units, checks.WORK_SMALLEST_MM) for text in texts]
    corners = _corners(angles, len(lengths))
    return tuple(
        PieceLength(str(k), length, u_mm, angle=angle)
        for k, (length, angle) in enumerate(zip(lengths, corners, strict=True), start=1)
    )


def _length(name: str, text: str, units: str | None, least_mm: float) -> float:
    try:
        length = parse_length(text, units)
    except UserError as problem:
        raise InputError(name, f"<{name}>: {problem}") from None
    if not least_mm <= length <= checks.WORK_LARGEST_MM:
        raise InputError(name, f"<{name}> is {length:g} mm; it should lie between {least_mm:g} mm and 10 m")
    return length


def read_setting(name: str, text: str | None, units: str | None) -> float | None:
    """Take what a stop was set to; None where it is not told."""
    return None if text is None else _length(name, text, units, checks.WORK_SMALLEST_MM)


def _corners(angles: str | None, count: int) -> list[Quantity | None]:
    if angles is None:
        return [None] * count
    texts = angles.split(",")
    if len(texts) != count:
        raise InputError("angles", f"<angles> has {len(texts)} angles for {count} lengths; give one for each")
    try:
        values = [float(text.strip().removesuffix("deg").removesuffix("°")) for text in texts]
    except ValueError:
        raise InputError("angles", f"<angles> {angles!r:.60} are no angles; write such as 90.02,90.05") from None
    if not all(abs(value - 90) < checks.LENGTHS_WORST_CORNER_DEG for value in values):
        raise InputError("angles", f"<angles> {angles!r:.60}: the corners of square cuts lie near 90°; check them")
    return [Quantity(value, _U_PROTRACTOR_DEG, "deg") for value in values]
