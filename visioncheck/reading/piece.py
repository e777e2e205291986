"""From traced edges to angles, taper and widths, with their covariance by source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.view import View
from visioncheck.edges.trace import Trace
from visioncheck.fence.propagate import welch_satterthwaite
from visioncheck.geometry import intersection
from visioncheck.quantity import Quantity
from visioncheck.reading.line import Line, bow, fit_line
from visioncheck.reading.model import CornerReading, EdgeReading, WidthReading

Array = NDArray[np.float64]

SHADING_SD_MM = 0.010
"""How far shading and grain beside an edge may pull its place at one end against the other; measured on test photos."""
STRIP_RATIO = 3.0
"""A piece this many times as long as it is wide is a strip, unless the user says otherwise."""


@dataclass(frozen=True)
class Piece:
    """Four lines on the plane of the top face and their corners.

    Attributes
    ----------
    lines : tuple of Line
        Edge i, on the plane of the paper.
    corners_mm : (4, 2) ndarray
        Corner i between edges i - 1 and i, on the plane of the top face.
    corners_px : (4, 2) ndarray
    directions : mapping of str to (4, 4) ndarray
        Covariance of the four edges' directions, rad², by source.
    dofs : (4,) ndarray
        Of each edge's own part.
    """

    view: View
    traces: tuple[Trace, ...]
    lines: tuple[Line, ...]
    thickness_mm: float
    corners_mm: Array
    corners_px: Array
    directions: Mapping[str, Array]
    dofs: Array

    @property
    def lengths_mm(self) -> Array:
        """Lengths of the four edges."""
        return np.asarray(np.linalg.norm(np.roll(self.corners_mm, -1, axis=0) - self.corners_mm, axis=1))

    @property
    def total(self) -> Array:
        """Covariance of the four directions, all sources together."""
        return np.asarray(sum(self.directions.values()))

    def combination(self, weights: Array) -> tuple[float, float, Mapping[str, float]]:
        """Standard uncertainty (deg), degrees of freedom and budget (deg) of a sum of directions."""
        parts = {
            source: float(np.degrees(np.sqrt(max(float(weights @ matrix @ weights), 0.0))))
            for source, matrix in self.directions.items()
        }
        edge = np.degrees(np.abs(weights) * np.sqrt(np.diag(self.directions["edge"])))
        rest = np.array([value for source, value in parts.items() if source != "edge"])
        contributions = np.append(edge, rest)
        dof = welch_satterthwaite(contributions, np.append(self.dofs, np.full(len(rest), np.inf)))
        return float(np.sqrt(sum(value**2 for value in parts.values()))), dof, parts


def read_piece(view: View, traces: tuple[Trace, ...], thickness_mm: float) -> Piece:
    """Fit the four lines, meet them, and carry the covariance of edges and view to the edges' directions."""
    lines = tuple(fit_line(trace.points_mm, trace.weights, 2 * trace.pixel_mm) for trace in traces)
    ends = [(line.point, line.direction) for line in lines]
    on_paper = np.array([intersection(*ends[i - 1], *ends[i]) for i in range(4)])
    shrink = 1 - thickness_mm / view.height_mm
    corners = view.foot_mm + (on_paper - view.foot_mm) * shrink
    pixels = view.to_image(on_paper)
    lengths = np.linalg.norm(np.roll(on_paper, -1, axis=0) - on_paper, axis=1)
    own = np.diag([line.covariance[1, 1] for line in lines])
    shading = np.diag(2 * (SHADING_SD_MM / lengths) ** 2)
    slopes = _direction_slopes(view, pixels)
    directions = {"edge": own, "shading": shading}
    directions |= {source: slopes @ matrix @ slopes.T for source, matrix in view.covariances.items()}
    dofs = np.array([max(line.dof, 1.0) for line in lines])
    return Piece(view, traces, lines, thickness_mm, corners, pixels, directions, dofs)


def _direction_slopes(view: View, pixels: Array) -> Array:
    """Derivative of the four edges' directions by the view's numbers, (4, p), at fixed pixels."""
    theta = view.theta

    def directions(numbers: Array) -> Array:
        corners = view.with_theta(numbers).to_table(pixels)
        run = np.roll(corners, -1, axis=0) - corners
        return np.arctan2(run[:, 1], run[:, 0])

    columns = []
    for k in range(len(theta)):
        step = np.zeros_like(theta)
        step[k] = 1e-6 * max(abs(theta[k]), 1e-4)
        change = directions(theta + step) - directions(theta - step)
        columns.append((np.mod(change + np.pi, 2 * np.pi) - np.pi) / (2 * step[k]))
    return np.stack(columns, axis=1)


def corner_weights(corner: int) -> Array:
    """How the interior angle of a corner follows from the directions of the edges that meet there.

    Edges run with the outside to the normal (-y, x): the interior angle is 180° plus the turn between them.
    """
    weights = np.zeros(4)
    weights[corner - 1], weights[corner] = -1.0, 1.0
    return weights


def read_corners(piece: Piece) -> tuple[CornerReading, ...]:
    """The four interior angles."""
    run = np.roll(piece.corners_mm, -1, axis=0) - piece.corners_mm
    theta = np.arctan2(run[:, 1], run[:, 0])
    readings = []
    for corner in range(4):
        turn = float(np.degrees(np.mod(theta[corner] - theta[corner - 1] + np.pi, 2 * np.pi) - np.pi))
        u, dof, _ = piece.combination(corner_weights(corner))
        angle = Quantity(180.0 + turn, u, "deg", dof)
        readings.append(
            CornerReading(piece.corners_mm[corner], piece.corners_px[corner], angle, ((corner - 1) % 4, corner))
        )
    return tuple(readings)


def angle_covariance_deg2(piece: Piece) -> Array:
    """Covariance of the four interior angles, deg²."""
    matrix = np.array([corner_weights(corner) for corner in range(4)])
    return np.asarray(np.degrees(1) ** 2 * matrix @ piece.total @ matrix.T)


def read_edges(piece: Piece) -> tuple[EdgeReading, ...]:
    """Each edge with its stations and residuals, positive to the outside."""
    edges = []
    for k, (trace, line) in enumerate(zip(piece.traces, piece.lines, strict=True)):
        after = (k + 1) % 4
        sign = 1.0 if line.normal @ trace.outward > 0 else -1.0
        sagitta = bow(line)
        edges.append(
            EdgeReading(
                piece.corners_mm[k],
                piece.corners_mm[after],
                piece.corners_px[k],
                piece.corners_px[after],
                piece.view.to_image(trace.points_mm),
                sign * line.residuals,
                line.robust_weight,
                Quantity(sign * sagitta.value, sagitta.u, "mm", sagitta.dof),
            )
        )
    return tuple(edges)


def is_strip(piece: Piece) -> bool:
    """Whether the piece is long and narrow."""
    lengths = piece.lengths_mm
    across, along = sorted([lengths[0] + lengths[2], lengths[1] + lengths[3]])
    return bool(along > STRIP_RATIO * across)


def long_edge(piece: Piece) -> int:
    """Number of the first long edge, 0 or 1; the other is two further on."""
    lengths = piece.lengths_mm
    return 0 if lengths[0] + lengths[2] > lengths[1] + lengths[3] else 1


def read_taper(piece: Piece) -> Quantity:
    """Angle between a strip's long edges, deg; positive where it is wider at the END of its first long edge."""
    first = long_edge(piece)
    corners = np.roll(piece.corners_mm, -first, axis=0)
    a, b = corners[1] - corners[0], corners[2] - corners[3]
    opening = float(np.degrees(np.arctan2(a[1] * b[0] - a[0] * b[1], a @ b)))
    weights = np.zeros(4)
    weights[first], weights[(first + 2) % 4] = 1.0, -1.0
    u, dof, _ = piece.combination(weights)
    return Quantity(opening, u, "deg", dof)


def read_widths(piece: Piece, thickness: Quantity) -> tuple[WidthReading, ...]:
    """Widths of a strip at its first end, its middle and its last end, square to its middle line.

    The uncertainty holds the edges', the thickness's (a millimetre moves a top face 0.3 % nearer) and the scale's.
    """
    first = long_edge(piece)
    corners = np.roll(piece.corners_mm, -first, axis=0)
    middle = (corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2
    along = (middle[1] - middle[0]) / np.linalg.norm(middle[1] - middle[0])
    normal = np.array([-along[1], along[0]])
    length = float(np.linalg.norm(middle[1] - middle[0]))
    lines = piece.lines[first], piece.lines[(first + 2) % 4]
    own = float(np.sqrt(sum(line.covariance[0, 0] for line in lines)))
    widths = []
    for at in (0.0, length / 2, length):
        here = middle[0] + at * along
        width = abs(_offset(corners[0], corners[1], here, normal) - _offset(corners[3], corners[2], here, normal))
        relative = np.hypot(thickness.u / (piece.view.height_mm - piece.thickness_mm), piece.view.scale_u_rel)
        u = float(np.sqrt(own**2 + 2 * SHADING_SD_MM**2 + EDGE_BIAS_MM**2 + (relative * width) ** 2))
        widths.append(WidthReading(at, Quantity(float(width), u, "mm")))
    return tuple(widths)


EDGE_BIAS_MM = 0.03
"""A phone's tone curve moves both edges of a piece outwards or inwards alike; not yet calibrated from the photo."""


def _offset(start: Array, end: Array, here: Array, normal: Array) -> float:
    run = end - start
    return float(np.linalg.solve(np.column_stack([normal, -run]), start - here)[0])
