"""A reading line by line, for the terminal."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from visioncheck.correction.words import Line, describe, error_words
from visioncheck.flags import flag
from visioncheck.units import format_error

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.correction.sled import Sled
    from visioncheck.quantity import Quantity
    from visioncheck.reading.model import Reading
    from visioncheck.units import UnitWorld

_MM_PER_IN = 25.4
_BAR = 24
_SURVEY = "survey this phone and sheet first (visioncheck survey), then measure this photo again with --rig"


def degrees(angle: Quantity) -> str:
    """Write an angle as ``90.041 ± 0.006°``."""
    return f"{angle.value:.3f} ± {angle.expanded():.3f}°"


def length(value: Quantity, units: UnitWorld) -> str:
    """Write a length as ``25.41 ± 0.03 mm`` or ``1.0004 ± 0.0012 in``."""
    if units == "in":
        return f"{value.value / _MM_PER_IN:.4f} ± {value.expanded() / _MM_PER_IN:.4f} in"
    return f"{value.value:.2f} ± {value.expanded():.2f} mm"


def reading_lines(reading: Reading, sled: Sled | None = None) -> list[Line]:
    """Say what one photo says: the piece, its angles, the fence and what to do, then what is doubtful."""
    units: UnitWorld = sled.units if sled else "mm"
    return [*_piece_lines(reading, units), *_fence_lines(reading, sled), *_flag_lines(reading)]


def _piece_lines(reading: Reading, units: UnitWorld) -> list[Line]:
    number = "" if reading.tag_id is None else f", tag {reading.tag_id}"
    lines = [Line("Piece", f"{reading.piece}{number}")]
    if reading.thickness:
        lines.append(Line("Thickness", length(reading.thickness, units)))
    if reading.taper:
        # which end is the wider is seen from the widths
        lines.append(Line("Taper", degrees(replace(reading.taper, value=abs(reading.taper.value)))))
    if reading.widths:
        ends = (reading.widths[0].width, reading.widths[-1].width)
        lines.append(Line("Widths", " and ".join(length(end, units) for end in ends)))
    if reading.piece == "panel":
        lines.append(Line("Corners", ", ".join(degrees(each.angle) for each in reading.corners)))
    elif reading.piece == "corner":
        lines += _corner_lines(reading)
    if reading.panel:
        fit = reading.panel
        misfit = float(abs(fit.residuals_deg).max())
        lines.append(Line("Closure", f"{fit.closure.value:+.3f}°; four equal cuts fit the corners to {misfit:.3f}°"))
    return lines


def _corner_lines(reading: Reading) -> list[Line]:
    wanted = {reading.fence_edge, reading.cut_edge}
    for corner in reading.corners:
        if set(corner.edges) == wanted:
            return [Line("Angle", f"{degrees(corner.angle)} between fence edge and cut")]
    return [Line("Corners", ", ".join(degrees(each.angle) for each in reading.corners))]


def _fence_lines(reading: Reading, sled: Sled | None) -> list[Line]:
    if reading.fence_error:
        if sled:
            return describe(reading.fence_error, sled, settle=_SURVEY if "no-rig" in reading.flags else None)
        hint = "with --sled SLED.toml the move of the fence is said too; visioncheck sled NEW.toml writes one"
        return [Line("Fence", error_words(reading.fence_error)), Line("Hint", hint)]
    lines = []
    if reading.fence_error_size:
        size = reading.fence_error_size
        ways = format_error(size.value, sled.fence_length_mm if sled else None, signed=False)
        lines.append(Line("Size", f"{degrees(size)} ({ways.in_per_ft}, {ways.mm_per_m}), either way"))
    if reading.question:
        lines.append(Line("Tell me", reading.question))
    return lines


def _flag_lines(reading: Reading) -> list[Line]:
    return [Line("Doubt", f"{flag(code).sentence} {flag(code).remedy}") for code in reading.flags]


def budget_lines(budget: Mapping[str, float]) -> list[Line]:
    """Say where the uncertainty comes from: each source's standard uncertainty and its share of the variance.

    Parameters
    ----------
    budget : mapping of str to float
        Standard uncertainty by source, deg; taken as independent (JCGM 100:2008, 5.1.2).
    """
    total = sum(u * u for u in budget.values())
    lines = []
    for source, u in sorted(budget.items(), key=lambda item: -item[1]):
        share = u * u / total if total > 0 else 0.0
        lines.append(Line(source, f"{u:.4f}°  {'█' * round(_BAR * share):<{_BAR}}  {100 * share:3.0f} %"))
    return [*lines, Line("together", f"{total**0.5:.4f}°")]
