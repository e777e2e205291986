"""Both walls of a wide slot, each traced on its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from visioncheck.camera.view import View
from visioncheck.edges.light_rows import pixel_mm
from visioncheck.edges.sampling import Picture
from visioncheck.edges.side_face import away_mm
from visioncheck.edges.slot_walls import SlotTrace
from visioncheck.edges.tone import Tone
from visioncheck.edges.wall import trace_wall
from visioncheck.outline.walls import Walls

_APART_PX = 24.0
"""With so much floor between the side faces the two walls' bands of light do not meet."""
_WALL_MM = 0.015
"""Standard uncertainty of one wall's place where it is read beside a floor in light, as a piece's outer edges are."""
_CLEAR_OF_WALL_PX = 6.0


def is_wide(view: View, walls: Walls, thickness_mm: float) -> bool:
    """Whether enough floor shows, in work of this thickness, to trace each wall on its own."""
    return walls.width_mm - sum(side_faces_mm(view, walls, thickness_mm)) > _APART_PX * pixel_mm(view, walls.first)


def side_faces_mm(view: View, walls: Walls, thickness_mm: float) -> tuple[float, float]:
    """How broad the first and the second wall's side faces show, plane of the paper, if the slot goes through."""
    first, second = (away_mm(view, wall) for wall in (walls.first, walls.second))
    share = thickness_mm / view.height_mm
    return max(first, 0.0) * share, max(second, 0.0) * share


def trace_wide(bgr: Picture, view: View, walls: Walls, tone: Tone, thickness_mm: float) -> SlotTrace | None:
    """Trace both walls of a slot for which `is_wide` holds.

    Returns
    -------
    SlotTrace or None
        None where no two walls stand out.
    """
    # the wall nearer the camera first: less of its side face shows
    pair = sorted((walls.first, walls.second), key=lambda wall: away_mm(view, wall))
    clear = _CLEAR_OF_WALL_PX * pixel_mm(view, walls.first)
    traced = [trace_wall(bgr, view, wall, walls.width_mm - clear, tone, thickness_mm) for wall in pair]
    near, far = traced
    if near is None or far is None:
        return None
    pixel = far.trace.pixel_mm
    width = abs(float((far.trace.points_mm.mean(axis=0) - near.trace.points_mm.mean(axis=0)) @ far.trace.outward))
    return SlotTrace(
        near=replace(near.trace, outward=-near.trace.outward),
        far=replace(far.trace, outward=-far.trace.outward),
        width_px=np.array([width / pixel]),
        noise_mm=max(near.noise_mm, far.noise_mm),
        tone_mm=max(near.tone_mm, far.tone_mm),
        hidden_mm=near.hidden_mm + far.hidden_mm,
        floor_seen=True,
        wall_mm=float(np.hypot(_WALL_MM, tone.softened_px * pixel)),
        sides=tuple(wall.side for wall in (near, far) if wall.side is not None),
    )
