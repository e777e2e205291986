"""What moves the corners of a piece: each source of uncertainty, carried to them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from visioncheck import checks
from visioncheck.edges.trace import Trace, side_face_mm
from visioncheck.outline.guide import Guide

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from visioncheck.camera.view import View
    from visioncheck.fitting.line import FittedLine
    from visioncheck.quantity import Quantity
    from visioncheck.reading.chain import Chain

    Array = NDArray[np.float64]

RECESS_SD_MM = 0.008
"""How far a line through a sawn edge may be out at one end against the other by hollows that are read as wood.

Sawn edges of 60 to 370 mm turn from the straight line by 0.009 mm end to end (rms on test photos, oak 0.013 mm), of
which the part that lies back makes 0.58.
"""
_SOFT_TIMES, _SOFT_SHARE = 1.5, 0.12
"""An edge so many times softer than the sharpest of the piece has shade along it, or is told from what lies beyond by
colour alone, which JPEG keeps at half the resolution. Of what its blur has beyond that its ends are out against each
other by this share (on painted pictures with hard shadows 0.07 to 0.33)."""
_COLOUR_PX = 1.75
"""What an edge told by colour alone is blurred by besides."""
_FAINT_PX = 1.5
"""By how much an edge that hardly differs from what lies beside it may be out, and at one end against the other; on
painted pictures up to 3.5 px and 1.4 px, the border of a shadow being taken for it."""
EDGE_BIAS_MM = 0.015
"""A phone's tone curve moves every edge of a piece outwards or inwards alike; not yet calibrated from the photo."""
PLACEMENT_SD_MM = 0.01
"""How far the top face's ends stand off parallel to the sheet (dust, a chip, faces not parallel); an assumption."""


def corners_by_lines(lines: tuple[FittedLine, ...], corners: Array, chain: Chain) -> Array:
    """Derivative of the corners by each line's offset and angle, (2 m, n, 2); a free end moves square to its line."""
    slopes = np.zeros((len(corners), 2, len(lines), 2))
    for k, edges in enumerate(chain.through):
        back = np.linalg.pinv(np.stack([lines[i].normal for i in edges]))
        for column, i in enumerate(edges):
            along = float((corners[k] - lines[i].point) @ lines[i].direction)
            slopes[k, :, i] = np.outer(back[:, column], [1.0, along])
    return slopes.reshape(2 * len(corners), len(lines), 2)


def corners_by_view(view: View, pixels: Array, thickness_mm: float) -> Array:
    """Derivative of the corners by the view's numbers, (2 m, p), at fixed pixels."""
    theta, here = view.theta, view.to_table(pixels, thickness_mm)
    columns = []
    for k, number in enumerate(theta):
        # so small a step needs no second one on the other side
        step = np.zeros_like(theta)
        step[k] = 1e-6 * max(abs(number), 1e-4)
        moved = view.with_theta(theta + step).to_table(pixels, thickness_mm)
        columns.append((moved - here).ravel() / step[k])
    return np.stack(columns, axis=1)


@dataclass(frozen=True)
class Edges:
    """Where the edges end, (m, 2) mm, on the plane of the paper."""

    on_paper: Array
    chain: Chain

    @property
    def lengths(self) -> Array:
        """Lengths of the edges, mm."""
        return np.asarray(np.linalg.norm(edge_runs(self.on_paper, self.chain), axis=1))

    def guide(self, edge: int) -> Guide:
        """Take one edge as a guide from its beginning to its end."""
        start, end = self.chain.ends[edge]
        return Guide(self.on_paper[start], self.on_paper[end])


def edge_runs(corners: Array, chain: Chain) -> Array:
    """From the beginning of each edge to its end, (n, 2)."""
    starts, ends = np.array(chain.ends).T
    return np.asarray(corners[ends] - corners[starts])


def edge_sources(
    view: View,
    traces: tuple[Trace, ...],
    lines: tuple[FittedLine, ...],
    edges: Edges,
    thickness_mm: float,
    by_lines: Array,
    edge_bias_mm: float,
) -> dict[str, Array]:
    """What moves an edge as a whole, or one of its ends, without showing in its stations."""
    ends = np.array([trace.recess_gain * RECESS_SD_MM for trace in traces])
    sharpest_px = min(trace.blur_px for trace in traces)
    softs = np.array([_soft_mm(trace, sharpest_px) for trace in traces])
    faints = np.array([_FAINT_PX * trace.pixel_mm * _is_faint(trace, sharpest_px) for trace in traces])
    outward = np.array([np.sign(line.normal @ trace.outward) for line, trace in zip(lines, traces, strict=True)])
    bias = by_lines[:, :, 0] @ outward * edge_bias_mm
    # where the two arrises are not told apart, the line may be either: rectangular over the side face
    arris = by_lines[:, :, 0] * [
        trace.arris_u_mm if trace.arris_clear else side_face_mm(view, edges.guide(k), thickness_mm) / np.sqrt(12)
        for k, trace in enumerate(traces)
    ]
    turned = np.array([trace.arris_turn_u_mm for trace in traces])
    return {
        "hollows": _turned(by_lines, ends / 2, ends, edges.lengths),
        "soft edge": _turned(by_lines, np.hypot(softs / 2, faints), np.hypot(softs, faints), edges.lengths),
        "edge bias": np.outer(bias, bias),
        "arris": arris @ arris.T + _turned(by_lines, np.zeros(len(turned)), turned, edges.lengths),
    }


def _turned(by_lines: Array, offsets_mm: Array, ends_mm: Array, lengths_mm: Array) -> Array:
    """Covariance of the corners where each edge's middle is out by so much, and its ends against each other."""
    spread = np.column_stack([offsets_mm, ends_mm / lengths_mm]) ** 2
    flat = by_lines.reshape(len(by_lines), -1)
    return np.asarray(flat @ np.diag(spread.ravel()) @ flat.T)


def _soft_mm(trace: Trace, sharpest_px: float) -> float:
    beyond = max(trace.blur_px**2 - (_SOFT_TIMES * sharpest_px) ** 2, 0.0)
    return _SOFT_SHARE * float(np.sqrt(beyond)) * trace.pixel_mm


def _is_faint(trace: Trace, sharpest_px: float) -> bool:
    by_colour_px = float(np.hypot(sharpest_px, _COLOUR_PX))
    soft = trace.blur_px > checks.EDGE_SOFTER_THAN_COLOUR * by_colour_px
    return trace.contrast < (checks.EDGE_SOFT_CONTRAST if soft else checks.EDGE_LEAST_CONTRAST)


def top_face_sources(
    view: View, on_paper: Array, corners: Array, thickness: Quantity, lean_deg: tuple[float, float]
) -> dict[str, Array]:
    """Height, lie and scale of the plane that the corners are on."""
    away = (on_paper - view.foot_mm) / view.height_mm
    rise = away.ravel() * thickness.u
    from_middle = corners - corners.mean(axis=0)
    rock = from_middle / (np.ptp(corners, axis=0) / 2) * PLACEMENT_SD_MM
    tilts = np.stack([(away * rock[:, [k]]).ravel() for k in range(2)], axis=1)
    sides = corners[1:3] - corners[:2]
    long = max(sides, key=lambda side: float(side @ side))
    along = long / np.linalg.norm(long)
    ways = (along, np.array([-along[1], along[0]]))
    leans = [
        (away * (from_middle @ way)[:, None] * np.radians(lean)).ravel()
        for way, lean in zip(ways, lean_deg, strict=True)
    ]
    stretch = view.scale_u_rel * from_middle.ravel()
    return {
        "edges of the board": sum(np.outer(lean, lean) for lean in leans),
        "piece placement": tilts @ tilts.T,
        "thickness": np.outer(rise, rise),
        "scale": np.outer(stretch, stretch),
    }
