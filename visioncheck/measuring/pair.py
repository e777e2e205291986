"""One workpiece in two photos, turned a quarter turn on the sheet in between."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.rig import Rig
from visioncheck.codes import in_order
from visioncheck.errors import InputError, UserError
from visioncheck.measuring.detect import Detection, Measured
from visioncheck.measuring.kind import edge_doubts, tell_piece
from visioncheck.measuring.options import require_kind
from visioncheck.measuring.piece import SeenPiece, pointed_edge, require_four_sides, see_piece
from visioncheck.measuring.request import MeasureRequest, refuse_twice
from visioncheck.measuring.slot import SLOT_KINDS
from visioncheck.measuring.straight import measure_straight, measure_two_cuts
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Turned
from visioncheck.reading.pair import Match, matches, mean_piece, told_apart
from visioncheck.reading.piece import Piece

Array = NDArray[np.float64]


def measure_turned(request: MeasureRequest, detection: Detection | None = None) -> Measured:
    """Measure one workpiece in two photos, the second with the piece turned a quarter turn on the sheet.

    What the sheet is out of shape by cancels, as far as it is affine, with a survey or without.

    Parameters
    ----------
    request : MeasureRequest
        With its second photo.
    detection : Detection or None
        What was found in the first photo already; None: it is opened here.

    Raises
    ------
    UserError
        A photo cannot be read, or the two do not show one piece turned by a quarter.
    Refusal
        A photo cannot be measured honestly.
    """
    assert request.turned is not None  # else it is `measure_photo`'s
    refuse_twice((request.photo, request.turned))
    rig, options = request.rig, request.options
    require_kind(options)
    if options.recut is not None:
        return measure_two_cuts(request, detection)
    if options.piece == "straight":
        return measure_straight(request, detection)
    if options.piece in {*SLOT_KINDS, "bevel"}:
        raise InputError("turned", f"<turned> goes with angles; measure each photo of a {options.piece} on its own.")
    first, second = (see_piece(path, rig, options.thickness) for path in (detection or request.photo, request.turned))
    print_covariance = np.eye(first.shape.print_gain.shape[1]) if rig is None else rig.covariance
    if rig is None and first.sheet != second.sheet:
        said = "the two photos are on different sheets, whose errors do not cancel; use one sheet, or survey both"
        raise UserError(said).of(request.photo.name, request.turned.name)
    match = quarter_turn(first, second, print_covariance)
    shape = mean_piece(first.shape, second.shape, match, print_covariance, surveyed=rig is not None)
    both = replace(first, doubts=tuple(each for each in (*first.doubts, *second.doubts) if each.code != "no-rig"))
    told = tell_piece(both, shape, request)
    doubts = in_order((*told.reading.doubts, *edge_doubts(told.reading, second.shape.traces)))
    turned = Turned(request.turned.name, match.turn_deg, surveyed=rig is not None)
    return replace(told, reading=replace(told.reading, doubts=doubts, turned=turned))


def see_turned(paths: tuple[Path, Path], rig: Rig, thickness: Quantity | None) -> tuple[Piece, Piece, Match]:
    """Find one workpiece in two photos, turned a quarter turn in between: both shapes, and how they answer.

    Raises
    ------
    UserError, Refusal
        As for `measure_turned`.
    """
    first, second = (see_piece(path, rig, thickness) for path in paths)
    return first.shape, second.shape, quarter_turn(first, second, rig.covariance)


def quarter_turn(first: SeenPiece, second: SeenPiece, print_covariance: Array) -> Match:
    """How the second photo's piece is the first's, turned; the tag tells where the shape leaves it open."""
    names = (first.photo.path.name, second.photo.path.name)
    for seen in (first, second):
        require_four_sides(seen)
    if first.tag and second.tag and first.tag.id != second.tag.id:
        raise UserError(
            f"the two photos show pieces with tags {first.tag.id} and {second.tag.id}; take both photos of one piece"
        ).of(*names)
    found = matches(first.shape, second.shape, print_covariance)
    if first.tag and second.tag:
        edges = [pointed_edge(seen, seen.shape) or 0 for seen in (first, second)]
        found = tuple(match for match in found if match.shift == (edges[1] - edges[0]) % 4)
    if not (found and found[0].is_one_piece):
        raise UserError("the two photos do not show one and the same piece; take both photos of one piece").of(*names)
    if not told_apart(found) and any(match.is_quarter for match in found):
        raise UserError("the piece is too regular to see how it was turned; lay a piece tag on it in both photos").of(
            *names
        )
    if not found[0].is_quarter:
        turn = abs(found[0].turn_deg)
        how = "by a half turn" if turn > 150 else "not turned" if turn < 30 else f"turned by {turn:.0f}°"
        raise UserError(
            f"the piece is {how} between the two photos, so the sheet's errors do not cancel; turn it by a quarter"
            " (90°) on the sheet"
        ).of(*names)
    return found[0]
