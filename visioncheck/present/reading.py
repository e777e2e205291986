"""A reading line by line, for the terminal."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from visioncheck.fence.decision import decide
from visioncheck.present.assumed import assumed_lines
from visioncheck.present.bevel import tilt_lines, tilt_question_lines
from visioncheck.present.correction import describe, format_fence_error, format_verdict
from visioncheck.present.flags import format_doubt, remedy
from visioncheck.present.line import LabelledLine
from visioncheck.present.mitre import format_nominal, format_other_half
from visioncheck.present.naming import Door, sled_hint
from visioncheck.present.questions import question_sentence
from visioncheck.present.slot import slot_lines
from visioncheck.present.straight import reading_of_two_cuts, reference_lines, straight_lines
from visioncheck.results.basis import basis_from_reading
from visioncheck.uncertainty import absolute_value
from visioncheck.units import MM_PER_IN, format_error, format_run

if TYPE_CHECKING:
    from visioncheck.quantity import Quantity
    from visioncheck.reading.model import CornerReading, EdgeCover, PanelFit, Reading
    from visioncheck.sled.model import Sled
    from visioncheck.uncertainty import Size
    from visioncheck.units import UnitWorld

_NO_LOWER = 0.02
_CANCELS = "what the sheet is out of scale and square by cancels"


def degrees(angle: Quantity) -> str:
    """Write an angle as ``90.041 ± 0.006°``."""
    return f"{angle.value:.3f} ± {angle.expanded():.3f}°"


def length(value: Quantity, units: UnitWorld) -> str:
    """Write a length as ``25.41 ± 0.03 mm`` or ``1.0004 ± 0.0012 in``."""
    if units == "in":
        return f"{value.value / MM_PER_IN:.4f} ± {value.expanded() / MM_PER_IN:.4f} in"
    return f"{value.value:.2f} ± {value.expanded():.2f} mm"


def format_size(size: Quantity) -> str:
    """Write the size of an error whose sign is not known, with its 95 % interval; it ends at zero (JCGM 101, 9.4)."""
    drawn = absolute_value(size)
    if drawn.low < _NO_LOWER * drawn.high:
        return f"{size.value:.3f}°, at most {drawn.high:.3f}°"
    return f"{size.value:.3f}°, between {drawn.low:.3f}° and {drawn.high:.3f}°"


def _zone(zone: Size, length_mm: float, units: UnitWorld, nominal_deg: float) -> str:
    scale, digits = (MM_PER_IN, 4) if units == "in" else (1.0, 2)
    low, high = (f"{end / scale:.{digits}f}" for end in (zone.low, zone.high))
    run = format_run(length_mm, units)
    if nominal_deg != 90:
        return f"{low} to {high} {units} wide, at {format_nominal(nominal_deg)}, holds the cut over {run} (angularity)"
    return f"{low} to {high} {units} wide, square to the fence edge, holds the cut over {run} (perpendicularity)"


def reading_lines(
    reading: Reading, sled: Sled | None = None, instead: str = "", door: Door = "command"
) -> list[LabelledLine]:
    """Say what one photo says: piece, angles, fence, what to do (or `instead` of that), then what is doubtful."""
    units: UnitWorld = sled.units if sled else "mm"
    if reading.straight:
        said = straight_lines(reading.straight, units, reading.straight.photo)
        return [*_piece_lines(reading, units, sled), *said, *_flag_lines(reading, door)]
    fence = _tilt_lines(reading, sled, door) if reading.piece == "bevel" else _fence_lines(reading, sled, instead, door)
    return [*_piece_lines(reading, units, sled), *fence, *_flag_lines(reading, door)]


def _piece_lines(reading: Reading, units: UnitWorld, sled: Sled | None) -> list[LabelledLine]:
    number = "" if reading.tag_id is None else f", tag {reading.tag_id}"
    kind = "not known yet" if reading.open_kinds else reading.piece
    lines = [LabelledLine("Piece", f"{kind}{number}")]
    if reading.thickness:
        lines.append(LabelledLine("Thickness", length(reading.thickness, units)))
    if reading.slot:
        return lines + slot_lines(reading, reading.slot, sled)
    lines += _strip_lines(reading, units)
    if reading.piece == "panel" or reading.open_kinds:
        lines.append(LabelledLine("Corners", format_corners(reading)))
    elif reading.piece in {"corner", "bevel"}:
        lines += _corner_lines(reading)
    if reading.perpendicularity:
        cut = reading.edges[reading.cut_edge or 0]
        lines.append(LabelledLine("Zone", _zone(reading.perpendicularity, cut.length_mm, units, reading.nominal_deg)))
    lines += [LabelledLine("Left out", format_cover(reading, cover)) for cover in reading.covers]
    if reading.two_cuts:
        lines += reading_of_two_cuts(reading.two_cuts)
    elif reading.piece == "corner" and reading.fence_edge is not None and reading.fence_error:
        lines += reference_lines(reading.edges[reading.fence_edge], reading.fence_error, units)
    if reading.turned:
        lines.append(
            LabelledLine("Turned", f"by {abs(reading.turned.turn_deg):.1f}° to {reading.turned.photo}; {_CANCELS}")
        )
    if reading.panel:
        lines.append(LabelledLine("Closure", _closure(reading.panel)))
    return lines


def format_corners(reading: Reading) -> str:
    """Write every corner; of work that is not four-sided with the letters of its edges."""
    if reading.is_four_sided or not reading.names:
        return ", ".join(degrees(each.angle) for each in reading.corners)
    return ", ".join(f"{corner_name(reading, each)} {degrees(each.angle)}" for each in reading.corners)


def corner_name(reading: Reading, corner: CornerReading) -> str:
    """Name a corner by the letters of its edges: ``a-b``."""
    return "-".join(sorted(reading.names[edge] for edge in corner.edges))


def format_cover(reading: Reading, cover: EdgeCover) -> str:
    """Name what lies at an edge: ``something lies against the piece's top edge, near its right end``."""
    where = "in its middle" if cover.near == "middle" else f"near its {cover.near}"
    which = "against the piece's" if cover.lies == "against" else "over the piece's"
    edge = f"{reading.ways[cover.edge]} edge" if reading.is_four_sided else f"edge {reading.names[cover.edge]}"
    return f"something lies {which} {edge}, {where}"


def _closure(fit: PanelFit) -> str:
    misfit = float(abs(fit.residuals_deg).max())
    shear = f", less the sheet's shear of {degrees(fit.shear)}" if fit.shear else ""
    chance = f"chance of so large a misfit {100 * fit.probability:.0f} %"
    return f"{fit.closure.value:+.3f}°; four equal cuts fit the corners to {misfit:.3f}°{shear}; {chance}"


def _strip_lines(reading: Reading, units: UnitWorld) -> list[LabelledLine]:
    lines = []
    if reading.taper:
        # which end is the wider is seen from the widths
        lines.append(LabelledLine("Taper", degrees(replace(reading.taper, value=abs(reading.taper.value)))))
    if reading.widths:
        ends = (reading.widths[0].width, reading.widths[-1].width)
        lines.append(LabelledLine("Widths", " and ".join(length(end, units) for end in ends)))
    return lines


def _corner_lines(reading: Reading) -> list[LabelledLine]:
    wanted = {reading.fence_edge, reading.cut_edge}
    for corner in reading.corners:
        if set(corner.edges) == wanted:
            wanted_deg = "" if reading.nominal_deg == 90 else f", meant for {format_nominal(reading.nominal_deg)}"
            between = "the face on the table" if reading.piece == "bevel" else "fence edge"
            named = "" if reading.is_four_sided else f" ({corner_name(reading, corner)})"
            said = f"{degrees(corner.angle)} between {between} and cut{named}{wanted_deg}"
            lines = [LabelledLine("Angle", said)]
            if reading.other_half:
                lines.append(LabelledLine("Cut", format_other_half(reading.other_half, reading.nominal_deg)))
            return lines
    return [LabelledLine("Corners", format_corners(reading))]


def _tilt_lines(reading: Reading, sled: Sled | None, door: Door) -> list[LabelledLine]:
    if reading.tilt:
        return [*tilt_lines(reading.tilt, sled, reading.cut_height_mm), *assumed_lines(reading.assumed)]
    asked = [LabelledLine("Tell me", question_sentence(reading.question, door))] if reading.question else []
    return [*tilt_question_lines(reading.tilt_size), *asked]


def _fence_lines(reading: Reading, sled: Sled | None, instead: str, door: Door) -> list[LabelledLine]:
    if reading.fence_error:
        if sled:
            return describe(reading.fence_error, sled, basis_from_reading(reading), door, instead)
        hint = sled_hint(door)
        return [
            LabelledLine("Fence", format_fence_error(reading.fence_error)),
            *assumed_lines(reading.assumed),
            LabelledLine("Hint", hint),
        ]
    lines = []
    if reading.fence_error_size:
        size = reading.fence_error_size
        ways = format_error(size.value, sled.fence_length_mm if sled else None, signed=False)
        lines.append(LabelledLine("Size", f"{format_size(size)} ({ways.in_per_ft}, {ways.mm_per_m}), either way"))
        if sled:
            lines.append(LabelledLine("Verdict", format_verdict(decide(size, sled.tolerance_deg), sled)))
    if reading.question:
        lines.append(LabelledLine("Tell me", question_sentence(reading.question, door)))
    return lines


def _flag_lines(reading: Reading, door: Door) -> list[LabelledLine]:
    return [LabelledLine("Doubt", f"{format_doubt(each)} {remedy(each.code, door)}") for each in reading.doubts]
