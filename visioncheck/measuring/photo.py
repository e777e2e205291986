"""The whole way from one photo to its reading: each stage hands a frozen result to the next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from visioncheck.camera.rig import Rig
from visioncheck.errors import InputError, UserError
from visioncheck.measuring.bevel import measure_bevel
from visioncheck.measuring.detect import Detection, Measured, detect
from visioncheck.measuring.gap import measure_slot
from visioncheck.measuring.kind import tell_piece
from visioncheck.measuring.options import require_kind
from visioncheck.measuring.piece import agreed_fence_edge, require_four_sides, see_piece
from visioncheck.measuring.request import MeasureRequest
from visioncheck.measuring.slot import SLOT_KINDS, Scene
from visioncheck.measuring.straight import measure_straight
from visioncheck.measuring.tags import UNKNOWN_THICKNESS
from visioncheck.quantity import Quantity
from visioncheck.reading.piece import Piece

if TYPE_CHECKING:
    from visioncheck.measuring.groove import Board


def measure_photo(request: MeasureRequest, detection: Detection | None = None) -> Measured:
    """Measure the workpiece in one photo.

    Parameters
    ----------
    request : MeasureRequest
        With one photo.
    detection : Detection or None
        What was found in the photo already; None: it is opened here.

    Raises
    ------
    UserError
        The photo cannot be read, or what is told contradicts it or itself.
    Refusal
        It cannot be measured honestly.
    """
    options = request.options
    require_kind(options)
    if options.recut is not None:
        raise InputError("recut", "<recut> goes with two photos, of the board after each cut; give the second one too")
    if options.piece == "straight":
        return measure_straight(request, detection)
    if options.piece == "bevel":
        return measure_bevel(request, detection)
    if options.piece in SLOT_KINDS:
        return measure_slot(request, options.piece, detection)
    corner_only = options.edges is not None
    seen = see_piece(detection or request.photo, request.rig, options.thickness, corner_only=corner_only)
    return tell_piece(seen, seen.shape, request)


def see_board(path: Path, rig: Rig | None, thickness: Quantity | None, fence_edge: str | None) -> Board:
    """Find a cut board and its edges in a photo, to measure its grooves.

    Parameters
    ----------
    path, rig, thickness
        As for `measure_photo`.
    fence_edge : {"top", "bottom", "left", "right"} or None
        Side of the PICTURE that the edge which lay on the fence points to, where no tag tells.

    Raises
    ------
    UserError
        The photo cannot be read, or nothing tells which edge lay on the fence.
    Refusal
        It cannot be measured honestly.
    """
    detection = detect(path, rig)
    seen = see_piece(detection, rig, thickness)
    require_four_sides(seen)
    edge = agreed_fence_edge(seen, seen.shape, fence_edge)
    if edge is None:
        raise InputError(
            "fence_edge",
            "which edge lay against the fence? Say <fence_edge> top, bottom, left or right, as in the picture",
        ).of(path.name)
    from visioncheck.measuring.groove import Board  # lazy: it brings plans, which only a groove's photo needs

    scene = Scene(seen.photo, detection.points, seen.shape.view)
    return Board(scene, seen.shape, edge, seen.thickness or UNKNOWN_THICKNESS)


def see_panel(path: Path, rig: Rig, thickness: Quantity | None, fence_edge: str | None) -> tuple[Piece, int]:
    """Find a panel cut all round in a photo: its shape, and the edge that was cut first.

    Raises
    ------
    UserError, Refusal
        As for `measure_photo`; or nothing tells which edge was cut first.
    """
    seen = see_piece(path, rig, thickness)
    require_four_sides(seen)
    edge = agreed_fence_edge(seen, seen.shape, fence_edge)
    if edge is None:
        raise UserError("nothing tells which edge of the panel was cut first").of(path.name)
    return seen.shape, edge
