"""Two cuts of one board, and an edge that was planed to fit the fence."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from visioncheck import checks
from visioncheck.codes import Question, in_order
from visioncheck.errors import InputError
from visioncheck.fence.straightness import fence_bow, separate
from visioncheck.measuring.detect import Detection, Measured
from visioncheck.measuring.kind import cover_doubts, edge_doubts, tell_piece
from visioncheck.measuring.piece import SeenPiece, agreed_fence_edge, see_piece
from visioncheck.reading.model import EdgeReading, Reading, StraightReading, TwoCuts
from visioncheck.reading.piece import read_corners, read_edges
from visioncheck.reading.sides import edge_ways

if TYPE_CHECKING:
    from visioncheck.measuring.request import MeasureRequest
    from visioncheck.quantity import Quantity
    from visioncheck.reading.piece import Piece

_BOARD = "corner"


def measure_two_cuts(request: MeasureRequest, detection: Detection | None = None) -> Measured:
    """Measure a board after each of two cuts, and part the fence's error from what its edge brings in.

    Raises
    ------
    UserError, Refusal
        As for `measure_photo`; or another kind of piece, or nothing tells which edge was on the fence.
    """
    assert request.turned is not None and request.options.recut is not None  # noqa: PT018 - else it is another's
    if request.options.piece not in {None, _BOARD}:
        raise InputError(
            "recut", f"<recut> goes with two photos of a board's cut, not with <piece={request.options.piece}>"
        )
    corner = replace(request, options=replace(request.options, piece=_BOARD))
    told = []
    for path in (detection or request.photo, request.turned):
        seen = see_piece(path, request.rig, request.options.thickness)
        told.append(tell_piece(seen, seen.shape, corner))
    first, second = (each.reading for each in told)
    if first.fence_error is None or second.fence_error is None:
        # what is asked of one photo is asked; the other is answered alike
        return told[0] if first.fence_error is None else told[1]
    parted = separate(first.fence_error, second.fence_error, request.options.recut, (first.budget, second.budget))
    cuts = TwoCuts(request.turned.name, parted.how, first.fence_error, second.fence_error, parted.seat)
    doubts = in_order((*first.doubts, *second.doubts))
    reading = replace(first, fence_error=parted.error, two_cuts=cuts, doubts=doubts, perpendicularity=None)
    return replace(told[0], reading=reading)


def measure_straight(request: MeasureRequest, detection: Detection | None = None) -> Measured:
    """Measure the bow of a board's edge that fits the fence; with a second photo, turned by half a turn, by reversal.

    Raises
    ------
    UserError, Refusal
        As for `measure_photo`.
    """
    first = see_piece(detection or request.photo, request.rig, request.options.thickness)
    edge = agreed_fence_edge(first, first.shape, request.options.fence_edge)
    bare = _bare(first, edge)
    if edge is None:
        return Measured(first.photo, replace(bare, question=Question("fence edge", ("top", "bottom", "left", "right"))))
    second, other = None, ""
    if request.turned is not None:
        second, other = _turned(first, edge, request), request.turned.name
    found = fence_bow(_whole_bow(first.shape, bare.edges, edge), second, bare.edges[edge].length_mm)
    straight = StraightReading(found.bow, found.length_mm, found.sheet, other)
    return Measured(first.photo, replace(bare, straight=straight))


def _bare(seen: SeenPiece, edge: int | None) -> Reading:
    shape = seen.shape
    reading = Reading(
        photo=seen.photo.path.name,
        piece="straight",
        edges=read_edges(shape),
        corners=read_corners(shape),
        thickness=seen.thickness,
        fence_edge=edge,
        ways=edge_ways(shape.sides_px, seen.photo.exif.orientation),
        names=seen.names,
        tag_id=None if seen.tag is None else seen.tag.id,
        covers=seen.covers,
    )
    doubts = [each for each in edge_doubts(reading, shape.traces) if each.code != "curved-edge"]  # that is what is read
    return replace(reading, doubts=in_order((*seen.doubts, *doubts, *cover_doubts(reading))))


def _turned(first: SeenPiece, edge: int, request: MeasureRequest) -> Quantity:
    """Bow of the same edge in the second photo, where it faces the other way on the same line of the sheet."""
    assert request.turned is not None
    seen = see_piece(request.turned, request.rig, request.options.thickness)
    edges = read_edges(seen.shape)
    here = read_edges(first.shape)[edge]
    number = min(range(len(edges)), key=lambda k: _turned_by(here, edges[k]))
    same = edges[number]
    name = request.turned.name
    if (
        abs(same.length_mm - here.length_mm) > checks.REVERSAL_SAME_LENGTH * here.length_mm
        or _turned_by(here, same) > checks.REVERSAL_MOST_DEG
    ):
        raise InputError(
            "turned",
            "no edge of the second photo is the first one's, turned by half a turn; turn the board by 180° on the"
            " sheet, so that the same edge lies on the same line and faces the other way",
        ).of(name)
    return _whole_bow(seen.shape, edges, number)


def _whole_bow(shape: Piece, edges: tuple[EdgeReading, ...], edge: int) -> Quantity:
    """Sagitta over the whole edge: its stations end short of the corners; a sagitta goes with the length squared."""
    return edges[edge].bow.scaled((edges[edge].length_mm / shape.lines[edge].length) ** 2, "mm")


def _turned_by(first: EdgeReading, second: EdgeReading) -> float:
    """How far, deg, two edges are from running against each other, as an edge does after half a turn."""
    a, b = (edge.end_mm - edge.start_mm for edge in (first, second))
    return float(np.degrees(np.arccos(np.clip(-(a @ b) / np.linalg.norm(a) / np.linalg.norm(b), -1.0, 1.0))))
