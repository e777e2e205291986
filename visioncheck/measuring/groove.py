"""The grooves of a plan, found and measured in a photo of the cut board."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.edges.slot_walls import SlotTrace
from visioncheck.edges.tone import Tone, calibrate_tone
from visioncheck.edges.trace import Trace
from visioncheck.errors import InputError, Refusal
from visioncheck.kerf.plan import Plan
from visioncheck.kerf.verify import MeasuredGroove, planned
from visioncheck.measuring.slot import Scene, Sought, find_and_trace
from visioncheck.outline.guide import Guide
from visioncheck.quantity import Quantity
from visioncheck.reading.piece import Piece
from visioncheck.reading.slot import distance_between

Array = NDArray[np.float64]

_AROUND_MM = 7.0
"""A groove this far off its place is still found."""
_FIT_MM = 2.0
_WIDE_MM = 8.0
_SHADE = 0.3
"""Natural log: the floor of a wide groove has at most three quarters of the top face's light."""


@dataclass(frozen=True)
class Board:
    """A cut board in a photo.

    Attributes
    ----------
    scene : Scene
        The photo and its view.
    shape : Piece
        Its four edges.
    fence_edge : int
        Which of them the plan measures from at the fence.
    thickness : Quantity
        Of the board, mm.
    """

    scene: Scene
    shape: Piece
    fence_edge: int
    thickness: Quantity


def measure_grooves(board: Board, plan: Plan) -> tuple[MeasuredGroove, ...]:
    """Measure every groove of a plan from the edge that lay against the fence.

    Raises
    ------
    UserError
        The board in the photo is not as wide as the plan's.
    Refusal
        A groove is not seen where the plan has it.
    """
    _is_the_board(board, plan)
    tone = calibrate_tone(board.scene.photo.bgr, board.scene.points)
    return tuple(
        _measure(board, plan, groove.name, *planned(groove, plan.fence_edge, plan), tone) for groove in plan.grooves
    )


def _is_the_board(board: Board, plan: Plan) -> None:
    lengths = board.shape.lengths_mm
    across = float(lengths[(board.fence_edge + 1) % 4] + lengths[(board.fence_edge - 1) % 4]) / 2
    if abs(across - plan.board_mm) > max(checks.GROOVE_BOARD_MM, 0.02 * plan.board_mm):
        raise InputError(
            "fence_edge",
            f"the board in the photo is {across:.0f} mm across from the edge"
            f" {plan.fence_edge!r}, the plan's is {plan.board_mm:.0f} mm; check <fence_edge> and the plan",
        ).of(board.scene.name)


def _measure(board: Board, plan: Plan, name: str, near_mm: float, far_mm: float, tone: Tone) -> MeasuredGroove:
    walls = _walls(board, near_mm, far_mm, tone)
    if walls is None:
        raise Refusal("no-slot", board.scene.name, "groove", groove=name, within_mm=_AROUND_MM)
    datum = board.shape.traces[board.fence_edge]
    view, thick = board.scene.view, board.thickness
    near, far = walls
    return MeasuredGroove(
        edge=plan.fence_edge,
        near=distance_between(view, datum, near, thick),
        far=distance_between(view, datum, far, thick),
        width=distance_between(view, near, far, thick),
    )


def _line(board: Board, offset_mm: float) -> Guide:
    """The line on the plane of the paper that shows the one of the top face `offset_mm` in from the fence edge.

    It runs with the groove, the fence edge on the side of negative offsets.
    """
    view, corners = board.scene.view, board.shape.corners_mm
    start, end = corners[board.fence_edge], corners[(board.fence_edge + 1) % 4]
    along = (end - start) / np.linalg.norm(end - start)
    inward = -board.shape.traces[board.fence_edge].outward
    inward = inward - (inward @ along) * along
    inward /= np.linalg.norm(inward)
    grow = 1 / (1 - board.thickness.value / view.height_mm)
    ends = [view.foot_mm + (end + offset_mm * inward - view.foot_mm) * grow for end in (start, end)]
    # offsets count to (-y, x)
    return Guide(*ends) if np.array([-along[1], along[0]]) @ inward > 0 else Guide(*ends[::-1])


def _walls(board: Board, near_mm: float, far_mm: float, tone: Tone) -> tuple[Trace, Trace] | None:
    """Both walls of the groove near its place in the plan, the one nearer the fence edge first."""
    low, high = (_line(board, at) for at in (near_mm - _AROUND_MM, far_mm + _AROUND_MM))
    region = np.array([low.start_mm, low.end_mm, high.end_mm, high.start_mm])
    width = far_mm - near_mm
    # a blade's slot is black; what is wider than any stripe of the grain need only lie in some shade
    darker = _SHADE if width > _WIDE_MM else checks.SLOT_DARKER
    grow = 1 / (1 - board.thickness.value / board.scene.view.height_mm)
    sought = Sought(low.along, ((width - _FIT_MM) * grow, (width + _FIT_MM) * grow), darker)
    traced = find_and_trace(board.scene, region, board.thickness, tone, "groove", sought)
    if traced is None or abs(_run(traced) @ low.normal) > checks.GROOVE_PARALLEL:
        return None
    return _from_the_fence(traced, low.normal)


def _run(traced: SlotTrace) -> Array:
    """Unit direction of the far wall."""
    ends = traced.far.points_mm[[0, -1]]
    return np.asarray((ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0]))


def _from_the_fence(traced: SlotTrace, inward: Array) -> tuple[Trace, Trace]:
    """The wall nearer the fence edge first; its wood is on that edge's side."""
    walls = (traced.near, traced.far)
    return walls if walls[0].outward @ inward < 0 else walls[::-1]
