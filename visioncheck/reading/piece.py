"""From traced edges to angles, taper and widths, with their covariance by source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.view import View
from visioncheck.edges.trace import Trace, side_face_mm
from visioncheck.fitting.line import FittedLine, bow, fit_line
from visioncheck.geometry import intersection
from visioncheck.outline.guide import Guide
from visioncheck.quantity import Quantity
from visioncheck.reading.model import CornerReading, EdgeReading, WidthReading
from visioncheck.uncertainty import jacobian, welch_satterthwaite

Array = NDArray[np.float64]

RECESS_SD_MM = 0.008
"""How far a line through a sawn edge may be out at one end against the other by hollows that are read as wood.

Sawn edges of 60 to 370 mm turn from the straight line by 0.009 mm end to end (rms on test photos, oak 0.013 mm), of
which the part that lies back makes 0.58.
"""
EDGE_BIAS_MM = 0.015
"""A phone's tone curve moves every edge of a piece outwards or inwards alike; not yet calibrated from the photo."""
PLACEMENT_SD_MM = 0.01
"""How far the top face's ends stand off parallel to the sheet (dust, a chip, faces not parallel); an assumption."""
_NO_PART = 1e-3
"""A source smaller than this against the whole has no part in it, and is not listed."""


@dataclass(frozen=True)
class Piece:
    """Four lines on the plane of the top face and their corners.

    Attributes
    ----------
    lines : tuple of FittedLine
        Edge i, on the plane of the paper.
    corners_mm : (4, 2) ndarray
        Corner i between edges i - 1 and i, on the plane of the top face.
    corners_px : (4, 2) ndarray
    covariances : mapping of str to (8, 8) ndarray
        Covariance of the corners (x0, y0, x1, ...), mm², by source; every reading's budget follows from it.
    edge_parts : (4, 8, 8) ndarray
        Each edge's own part in ``covariances["edge"]``.
    print_gain : (8, q) ndarray
        How the corners follow from the print's own numbers, see `View.print_gain`.
    dofs : (4,) ndarray
        Of each edge's own part.
    """

    view: View
    traces: tuple[Trace, ...]
    lines: tuple[FittedLine, ...]
    thickness_mm: float
    corners_mm: Array
    corners_px: Array
    covariances: Mapping[str, Array]
    edge_parts: Array
    print_gain: Array
    dofs: Array

    @property
    def lengths_mm(self) -> Array:
        """Lengths of the four edges."""
        return np.asarray(np.linalg.norm(np.roll(self.corners_mm, -1, axis=0) - self.corners_mm, axis=1))

    def propagate(self, slope: Array) -> CombinedUncertainty:
        """Uncertainty of a number whose derivative by the corners is `slope`, (8,), in its unit per mm."""
        parts = {source: _root(slope @ matrix @ slope) for source, matrix in self.covariances.items()}
        edges = np.sqrt(np.maximum(np.einsum("i,kij,j->k", slope, self.edge_parts, slope), 0))
        rest = np.array([value for source, value in parts.items() if source != "edge"])
        dof = welch_satterthwaite(np.append(edges, rest), np.append(self.dofs, np.full(len(rest), np.inf)))
        u = _root(sum(value**2 for value in parts.values()))
        return CombinedUncertainty(u, dof, {source: value for source, value in parts.items() if value > _NO_PART * u})

    def propagate_directions(self, weights: Array) -> CombinedUncertainty:
        """Uncertainty, in deg, of a sum of the four edges' directions."""
        return self.propagate(np.degrees(weights @ direction_slopes(self.corners_mm)))


@dataclass(frozen=True)
class CombinedUncertainty:
    """Standard uncertainty of a number, its degrees of freedom, and its standard uncertainty by source."""

    u: float
    dof: float
    parts: Mapping[str, float]


def _root(variance: Array | float) -> float:
    return float(np.sqrt(max(float(variance), 0.0)))


def read_piece(
    view: View,
    traces: tuple[Trace, ...],
    thickness: Quantity,
    edge_bias_mm: float = EDGE_BIAS_MM,
    lean_deg: tuple[float, float] = (0.0, 0.0),
) -> Piece:
    """Fit the four lines, meet them, and carry every source of uncertainty to the corners.

    Parameters
    ----------
    edge_bias_mm : float
        Standard uncertainty with which all edges may lie too far out or in alike.
    lean_deg : (2,) tuple of float
        Standard uncertainty with which the top face leans along its long sides and across them: of a board that stands
        on its edge, which need not be square to its faces nor parallel to the other edge.
    """
    lines = tuple(fit_line(trace.points_mm, trace.weights, 2 * trace.pixel_mm) for trace in traces)
    ends = [(line.point, line.direction) for line in lines]
    on_paper = np.array([intersection(*ends[i - 1], *ends[i]) for i in range(4)])
    shrink = 1 - thickness.value / view.height_mm
    corners = view.foot_mm + (on_paper - view.foot_mm) * shrink
    pixels = view.to_image(on_paper)
    by_lines = shrink * _corners_by_lines(lines, on_paper)
    by_view = _corners_by_view(view, pixels, thickness.value)
    edge_parts = np.stack([by_lines[:, k] @ line.covariance @ by_lines[:, k].T for k, line in enumerate(lines)])
    covariances = {
        "edge": edge_parts.sum(axis=0),
        **_edge_place(view, traces, lines, on_paper, thickness.value, by_lines, edge_bias_mm),
        **{source: by_view @ matrix @ by_view.T for source, matrix in view.covariances.items()},
        **_top_face(view, on_paper, corners, thickness, lean_deg),
    }
    dofs = np.array([max(line.dof, 1.0) for line in lines])
    gain = by_view @ view.print_gain
    return Piece(view, traces, lines, thickness.value, corners, pixels, covariances, edge_parts, gain, dofs)


def _corners_by_lines(lines: tuple[FittedLine, ...], corners: Array) -> Array:
    """Derivative of the corners by each line's offset and angle, (8, 4, 2)."""
    slopes = np.zeros((4, 2, 4, 2))
    for k in range(4):
        pair = ((k - 1) % 4, k)
        back = np.linalg.inv(np.stack([lines[i].normal for i in pair]))
        for column, i in enumerate(pair):
            along = float((corners[k] - lines[i].point) @ lines[i].direction)
            slopes[k, :, i] = np.outer(back[:, column], [1.0, along])
    return slopes.reshape(8, 4, 2)


def _corners_by_view(view: View, pixels: Array, thickness_mm: float) -> Array:
    """Derivative of the corners by the view's numbers, (8, p), at fixed pixels."""
    theta, here = view.theta, view.to_table(pixels, thickness_mm)
    columns = []
    for k, number in enumerate(theta):
        # so small a step needs no second one on the other side
        step = np.zeros_like(theta)
        step[k] = 1e-6 * max(abs(number), 1e-4)
        moved = view.with_theta(theta + step).to_table(pixels, thickness_mm)
        columns.append((moved - here).ravel() / step[k])
    return np.stack(columns, axis=1)


def _edge_place(
    view: View,
    traces: tuple[Trace, ...],
    lines: tuple[FittedLine, ...],
    on_paper: Array,
    thickness_mm: float,
    by_lines: Array,
    edge_bias_mm: float,
) -> dict[str, Array]:
    """What moves an edge as a whole, or one of its ends, without showing in its stations."""
    lengths = np.linalg.norm(np.roll(on_paper, -1, axis=0) - on_paper, axis=1)
    ends = np.array([trace.recess_gain * RECESS_SD_MM for trace in traces])
    hollows = np.column_stack([ends / 2, ends / lengths]) ** 2
    outward = np.array([np.sign(line.normal @ trace.outward) for line, trace in zip(lines, traces, strict=True)])
    bias = by_lines[:, :, 0] @ outward * edge_bias_mm
    # where the two arrises are not told apart, the line may be either: rectangular over the side face
    sides = np.array([
        0.0 if trace.arris_clear else side_face_mm(view, Guide(on_paper[k], on_paper[(k + 1) % 4]), thickness_mm)
        for k, trace in enumerate(traces)
    ])  # fmt: skip
    arris = by_lines[:, :, 0] * (sides / np.sqrt(12))
    flat = by_lines.reshape(8, 8)
    return {
        "hollows": flat @ np.diag(hollows.ravel()) @ flat.T,
        "edge bias": np.outer(bias, bias),
        "arris": arris @ arris.T,
    }


def _top_face(
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


def direction_slopes(corners: Array) -> Array:
    """Derivative of the four edges' directions (rad) by the corners, (4, 8)."""
    run = np.roll(corners, -1, axis=0) - corners
    across = np.column_stack([-run[:, 1], run[:, 0]]) / np.sum(run**2, axis=1)[:, None]
    slopes = np.zeros((4, 4, 2))
    for k in range(4):
        slopes[k, k], slopes[k, (k + 1) % 4] = -across[k], across[k]
    return slopes.reshape(4, 8)


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
        spread = piece.propagate_directions(corner_weights(corner))
        angle = Quantity(180.0 + turn, spread.u, "deg", spread.dof)
        readings.append(
            CornerReading(piece.corners_mm[corner], piece.corners_px[corner], angle, ((corner - 1) % 4, corner))
        )
    return tuple(readings)


def angle_covariance_deg2(piece: Piece) -> Array:
    """Covariance of the four interior angles, deg²."""
    slopes = np.degrees([corner_weights(corner) for corner in range(4)] @ direction_slopes(piece.corners_mm))
    return np.asarray(slopes @ sum(piece.covariances.values()) @ slopes.T)


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
    spread = piece.propagate_directions(taper_weights(piece))
    return Quantity(opening, spread.u, "deg", spread.dof)


def taper_weights(piece: Piece) -> Array:
    """How a strip's taper follows from the directions of its edges."""
    first = long_edge(piece)
    weights = np.zeros(4)
    weights[first], weights[(first + 2) % 4] = 1.0, -1.0
    return weights


def read_widths(piece: Piece, shares: tuple[float, ...] = (0.0, 0.5, 1.0)) -> tuple[WidthReading, ...]:
    """Widths of a strip at shares of its length (its first end, middle and last end), square to its middle line."""
    flat = piece.corners_mm.ravel()
    first = long_edge(piece)
    values = _widths(flat, first, shares)
    slopes = jacobian(lambda x: _widths(x, first, shares), flat, np.full(8, 1.0))
    corners = np.roll(piece.corners_mm, -first, axis=0)
    length = float(np.linalg.norm((corners[1] + corners[2] - corners[0] - corners[3]) / 2))
    widths = []
    for share, value, slope in zip(shares, values, slopes, strict=True):
        spread = piece.propagate(slope)
        width = Quantity(float(value), spread.u, "mm", spread.dof)
        widths.append(WidthReading(share * length, width, spread.parts))
    return tuple(widths)


def _widths(flat: Array, first: int, shares: tuple[float, ...]) -> Array:
    corners = np.roll(flat.reshape(4, 2), -first, axis=0)
    ends = (corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    normal = np.array([-along[1], along[0]])
    return np.array([
        abs(_offset(corners[0], corners[1], here, normal) - _offset(corners[3], corners[2], here, normal))
        for here in (ends[0] + share * (ends[1] - ends[0]) for share in shares)
    ])  # fmt: skip


def _offset(start: Array, end: Array, here: Array, normal: Array) -> float:
    run = end - start
    return float(np.linalg.solve(np.column_stack([normal, -run]), start - here)[0])
