"""The whole way from one photo to its reading: each stage hands a frozen result to the next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from visioncheck.camera.rig import Rig
from visioncheck.errors import InputError, UserError
from visioncheck.measuring.detect import Detection, Measured, detect
from visioncheck.measuring.gap import measure_slot
from visioncheck.measuring.kind import tell_piece
from visioncheck.measuring.piece import agreed_fence_edge, see_piece
from visioncheck.measuring.slot import SLOT_KINDS, Scene
from visioncheck.measuring.tags import UNKNOWN_THICKNESS
from visioncheck.quantity import Quantity
from visioncheck.reading.piece import Piece
from visioncheck.saw import PieceSide
from visioncheck.sled.model import Sled

if TYPE_CHECKING:
    from visioncheck.measuring.groove import Board


def measure_photo(
    path: Path | Detection,
    rig: Rig | None = None,
    thickness: Quantity | None = None,
    piece: str | None = None,
    sled: Sled | None = None,
    fence_edge: str | None = None,
    cuts: int | None = None,
    turned_half: PieceSide | None = None,
) -> Measured:
    """Measure the workpiece in one photo.

    Parameters
    ----------
    path : Path or Detection
        The photo, or what was found in it already.
    rig : Rig or None
        The survey of this phone and sheet.
    thickness : Quantity or None
        Of the piece, mm, where no tag gives it.
    piece : {"corner", "panel", "strip", "slot", "gap"} or None
        None: a strip where `cuts` are told, a corner where its corners can be nothing else; otherwise it is asked.
    sled : Sled or None
        Says which side of the blade the piece came from and where the fence stands.
    fence_edge : {"top", "bottom", "left", "right"} or None
        Side of the PICTURE that the edge which lay on the fence points to, where no tag tells.
    cuts : int or None
        Number of successive cuts behind a strip.
    turned_half : {"left", "right"} or None
        Of a gap: the half that was turned over, as the halves lay at the saw, where no tag tells.

    Raises
    ------
    UserError
        The photo cannot be read, or what is told contradicts it or itself.
    Refusal
        It cannot be measured honestly.
    """
    if turned_half is not None and piece != "gap":
        raise InputError(
            "turned_half", "<turned_half> goes with the gap between two halves; say <piece=gap> too, or leave it out"
        )
    if piece in SLOT_KINDS:
        return measure_slot(path, rig, thickness, piece, sled, fence_edge, turned_half)
    seen = see_piece(path, rig, thickness)
    return tell_piece(seen, seen.shape, piece, sled, fence_edge, cuts)


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
    edge = agreed_fence_edge(seen, seen.shape, fence_edge)
    if edge is None:
        raise InputError(
            "fence_edge",
            f"{path.name}: which edge lay against the fence? Say <fence_edge> top, bottom, left or right, as in the"
            " picture.",
        )
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
    edge = agreed_fence_edge(seen, seen.shape, fence_edge)
    if edge is None:
        raise UserError(f"{path.name}: nothing tells which edge of the panel was cut first.")
    return seen.shape, edge
