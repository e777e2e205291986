"""From both walls of a slot to its widths, taper and straightness: it is read as a strip of nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.view import View
from visioncheck.edges.side_face import depth_seen
from visioncheck.edges.slot_walls import SlotTrace
from visioncheck.edges.tone import Tone
from visioncheck.edges.trace import Trace
from visioncheck.quantity import Quantity
from visioncheck.reading.model import EdgeReading, SlotReading, WallReading, WidthReading
from visioncheck.reading.piece import Piece, read_edges, read_piece, read_taper, read_widths, taper_weights
from visioncheck.uncertainty import jacobian

Array = NDArray[np.float64]

STATIONS = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Shares of a slot's length at which its width is told."""
_STEP_SHAPE_MM = 0.003
_BLURS_MEET_PX = 5.0
"""How far a wall may be pulled because a step of light is not quite what it is taken for, and the width below which
that grows because both walls' blurs meet; from test photos and simulated ones."""
_HIDDEN_SHARE = 0.5
"""How much of a side face too thin to see may be mistaken, as a standard uncertainty of the width."""
_END_STATIONS = 12


@dataclass(frozen=True)
class SlotShape:
    """A slot on the plane of the top face, and all that is read from it.

    Attributes
    ----------
    piece : Piece
        The slot as a strip; edge 0 is its right wall and edge 2 its left wall, seen from its start along it.
    widths : tuple of WidthReading
        At `STATIONS`, from its start.
    taper : Quantity
        Angle between the walls, deg; positive where it widens from its start to its end.
    budget : mapping of str to float
        Of the taper, deg.
    """

    piece: Piece
    edges: tuple[EdgeReading, ...]
    widths: tuple[WidthReading, ...]
    taper: Quantity
    budget: Mapping[str, float]
    slot: SlotReading


def read_slot(view: View, band: SlotTrace, thickness: Quantity, tone: Tone, start_mm: Array) -> SlotShape:
    """Fit both walls and read the slot between them.

    Parameters
    ----------
    thickness : Quantity
        Of the board, mm.
    tone : Tone
        Whose uncertainty moves both walls into the slot or out of it alike.
    start_mm : (2,) ndarray
        A place, plane of the paper, near the end where the slot is to start.
    """
    traces = _around(band, start_mm)
    shape_mm = _STEP_SHAPE_MM * (1 + (_BLURS_MEET_PX / float(np.median(band.width_px))) ** 2)
    tone_mm = float(np.hypot(tone.u * band.tone_mm, shape_mm))
    # half of it at each wall: the doubt is in the width
    hidden_mm = _HIDDEN_SHARE * band.hidden_mm / 2
    bias = float(np.linalg.norm([tone_mm, hidden_mm, band.wall_mm]))
    piece = read_piece(view, traces, thickness, bias)
    toned = tone_mm / bias
    noise = band.noise_mm * (1 - thickness.value / view.height_mm) / np.sqrt(len(band.near.points_mm))
    widths = tuple(
        replace(each, budget=_by_source(each.budget, noise * np.sqrt(2), toned))
        for each in read_widths(piece, STATIONS)
    )
    length = widths[-1].at_mm
    edges = read_edges(piece)
    parts = piece.propagate_directions(taper_weights(piece)).parts
    # a line's direction by white noise of its stations: u · sqrt(12)/length, for either wall
    budget = _by_source(parts, float(np.degrees(noise * np.sqrt(24) / length)), toned)
    left, right = (WallReading(edges[k].bow, piece.lines[k].sigma) for k in (2, 0))
    slot = SlotReading(
        walls=(left, right),
        widening=_widening(piece),
        length_mm=length,
        floor_seen=band.floor_seen,
        by_thickness=-widths[len(widths) // 2].width.value / (view.height_mm - thickness.value),
        depth=_depth(view, band),
    )
    return SlotShape(piece, edges, widths, read_taper(piece), budget, slot)


def _depth(view: View, band: SlotTrace) -> Quantity | None:
    """By the side face that tells it best."""
    seen = [depth_seen(side, view.height_mm) for side in band.sides]
    return min(seen, key=lambda depth: depth.u, default=None)


def distance_between(view: View, edge: Trace, wall: Trace, thickness: Quantity) -> Quantity:
    """Distance on the top face from one line to the middle of another, square to the first, mm.

    Parameters
    ----------
    edge, wall : Trace
        Of two lines that run much the same way; which sides their outsides are on does not matter.
    thickness : Quantity
        Of the board, mm.
    """
    ends = wall.points_mm[0], wall.points_mm[-1]
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    normal = np.array([-along[1], along[0]])
    if (wall.points_mm.mean(axis=0) - edge.points_mm.mean(axis=0)) @ normal > 0:
        ends, along = ends[::-1], -along
    # now the wall lies on the side of the edge that an outline walked along the edge has inside
    traces = (edge, _across(wall, ends[1], along), wall, _across(wall, ends[0], -along))
    piece = read_piece(view, traces, thickness)
    flat = piece.corners_mm.ravel()

    def distance(x: Array) -> Array:
        c = x.reshape(4, 2)
        run = (c[1] - c[0]) / np.linalg.norm(c[1] - c[0])
        return np.array([abs(((c[2] + c[3]) / 2 - c[0]) @ np.array([-run[1], run[0]]))])

    spread = piece.propagate(jacobian(distance, flat, np.full(8, 1.0))[0])
    return Quantity(float(distance(flat)[0]), spread.u, "mm", spread.dof)


def _around(band: SlotTrace, start_mm: Array) -> tuple[Trace, ...]:
    """Right wall, end, left wall, start: the slot's outline with the wood outside, as `Guide` has it."""
    near, far = band.near, band.far
    run = near.points_mm[-1] - near.points_mm[0]
    along = run / np.linalg.norm(run)
    middle = (near.points_mm.mean(axis=0) + far.points_mm.mean(axis=0)) / 2
    if (middle - start_mm) @ along < 0:
        along = -along
    at = [trace.points_mm @ along for trace in (near, far)]
    # where both walls are seen
    spans = max(each.min() for each in at), min(each.max() for each in at)
    ends = [middle + (span - middle @ along) * along for span in spans]
    # an outline's side (x, y) has its outside at (-y, x): the wall on that side is passed from start to end
    first, last = (near, far) if near.outward @ np.array([-along[1], along[0]]) > 0 else (far, near)
    return first, _across(first, ends[1], along), last, _across(first, ends[0], -along)


def _across(wall: Trace, at_mm: Array, outward: Array) -> Trace:
    """The slot's end: an exact line square to it, no edge that was seen."""
    side = np.array([-outward[1], outward[0]])
    points = at_mm + np.linspace(-1, 1, _END_STATIONS)[:, None] * side
    return replace(wall, points_mm=points, weights=np.ones(_END_STATIONS), outward=outward, recess_gain=0.0)


def _by_source(parts: Mapping[str, float], noise: float, toned: float) -> dict[str, float]:
    """The budget by what a slot's owner can change: an edge's own part is the picture's noise and the roughness."""
    named = {source: u for source, u in parts.items() if source not in ("edge", "edge bias")}
    edge = parts.get("edge", 0.0)
    noise = min(noise, edge)
    named["noise"], named["roughness"] = float(noise), float(np.sqrt(edge**2 - noise**2))
    bias = parts.get("edge bias", 0.0)
    every = named | {"tone": toned * bias, "arris": float(np.sqrt(1 - toned**2)) * bias}
    return {source: u for source, u in every.items() if u > 0}


def _widening(piece: Piece) -> Quantity:
    """Width at the last end less width at the first, with its own uncertainty: both share most of theirs."""
    flat = piece.corners_mm.ravel()

    def widening(x: Array) -> Array:
        c = x.reshape(4, 2)
        middle = (c[1] + c[2] - c[0] - c[3]) / 2
        along = middle / np.linalg.norm(middle)
        normal = np.array([-along[1], along[0]])
        return np.array([abs((c[1] - c[2]) @ normal) - abs((c[0] - c[3]) @ normal)])

    spread = piece.propagate(jacobian(widening, flat, np.full(8, 1.0))[0])
    return Quantity(float(widening(flat)[0]), spread.u, "mm", spread.dof)
