"""From one photo of a board on its edge, or of two halves of its cut, to the blade's tilt."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from visioncheck import checks
from visioncheck.codes import Question, in_order
from visioncheck.errors import InputError
from visioncheck.fence.mitre import made_at
from visioncheck.fence.signs import OneCut, blade_tilt
from visioncheck.measuring.detect import Detection, Measured
from visioncheck.measuring.gap import measure_slot
from visioncheck.measuring.kind import assuming, cover_doubts, edge_doubts
from visioncheck.measuring.piece import SeenPiece, agreed_fence_edge, require_four_sides, see_piece
from visioncheck.measuring.tags import UNKNOWN_THICKNESS
from visioncheck.reading.model import Reading
from visioncheck.reading.piece import corner_weights, read_corners, read_edges, read_piece
from visioncheck.reading.sides import edge_on_side, edge_ways
from visioncheck.saw import Saw

if TYPE_CHECKING:
    from visioncheck.measuring.request import MeasureRequest
    from visioncheck.reading.piece import Piece


def measure_bevel(request: MeasureRequest, detection: Detection | None = None) -> Measured:
    """Measure the blade's tilt: of one piece on its edge, or of two butted halves where one was turned over.

    Raises
    ------
    UserError, Refusal
        As for `measure_photo`; or a sled that is set off square, whose cut shows the tilt steeper than it is.
    """
    if request.sled is not None and request.sled.saw.is_mitre:
        raise InputError(
            "piece",
            "a mitre cut shows the blade's tilt steeper than it is; make a square cut for <piece=bevel>, and leave the"
            " sled's file out or set square",
        ).of(request.photo.name)
    if request.options.turned_half is not None:
        return _of_halves(measure_slot(request, "gap", detection, Saw()))
    seen = see_piece(detection or request.photo, request.rig, request.options.thickness)
    require_four_sides(seen)
    thick = seen.thickness or UNKNOWN_THICKNESS
    shape = read_piece(seen.shape.view, seen.shape.traces, thick, lean_deg=checks.BEVEL_LEAN_DEG)
    return tell_bevel(seen, shape, request)


def tell_bevel(seen: SeenPiece, shape: Piece, request: MeasureRequest) -> Measured:
    """What one piece on its edge says of the blade, or what is asked; `shape` is the outline of its upper edge."""
    options, sled = request.options, request.sled
    orientation = seen.photo.exif.orientation
    table = agreed_fence_edge(seen, shape, options.fence_edge)
    cut = None if options.cut_edge is None else edge_on_side(shape.sides_px, orientation, options.cut_edge)
    reading = Reading(
        photo=seen.photo.path.name,
        piece="bevel",
        edges=read_edges(shape),
        corners=read_corners(shape),
        thickness=seen.thickness,
        fence_edge=table,
        cut_edge=cut,
        ways=edge_ways(shape.sides_px, orientation),
        tag_id=None if seen.tag is None else seen.tag.id,
        covers=seen.covers,
        nominal_deg=options.nominal_deg or 90.0,
    )
    if table is None or cut is None:
        told = replace(reading, question=Question("bevel edges"))
    elif (table - cut) % 2 == 0:
        raise InputError(
            "cut_edge",
            "the face on the table (<fence_edge>) and the cut (<cut_edge>) meet at a corner, and the"
            f" {reading.ways[table]} and {reading.ways[cut]} edges do not; look at the picture and say them anew",
        ).of(reading.photo)
    else:
        saw = Saw("rear", sled.piece_side if sled else "left", reading.nominal_deg)
        told = assuming(_with_tilt(reading, shape, table, cut, saw), sled, {"piece_side": saw.piece})
    doubts = (*seen.doubts, *edge_doubts(told, shape.traces), *cover_doubts(told))
    return Measured(seen.photo, replace(told, doubts=in_order((*doubts, *told.doubts))))


def _with_tilt(reading: Reading, shape: Piece, table: int, cut: int, saw: Saw) -> Reading:
    corner = cut if (cut - 1) % 4 == table else table
    angle = reading.corners[corner].angle
    made = made_at(angle.value, saw)
    if made is None:
        return replace(reading, question=Question("nominal", (f"{angle.value:.2f}", f"{saw.nominal_deg:g}")))
    return replace(
        reading,
        nominal_deg=made.nominal_deg,
        other_half=None if made.piece == saw.piece else made.piece,
        tilt=blade_tilt(OneCut(angle), made.piece, made.nominal_deg),
        cut_height_mm=reading.edges[cut].length_mm,
        budget=shape.propagate_directions(corner_weights(corner)).parts,
    )


def _of_halves(measured: Measured) -> Measured:
    """A gap's error, read in the board's section, is the blade's tilt and none of the fence."""
    gap = measured.reading
    assert gap.slot is not None
    told = replace(
        gap,
        piece="bevel",
        tilt=gap.fence_error,
        tilt_size=gap.fence_error_size,
        fence_error=None,
        fence_error_size=None,
        left_half=None,  # which one that is hangs on the edge that the halves stand on
        assumed={},
        cut_height_mm=gap.slot.length_mm,
    )
    return replace(measured, reading=told)
