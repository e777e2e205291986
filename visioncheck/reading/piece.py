"""From traced edges to angles, taper and widths, with their covariance by source."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.fitting.line import FittedLine, bow, fit_line
from visioncheck.geometry import intersection
from visioncheck.quantity import Quantity
from visioncheck.reading.chain import FOUR, Chain
from visioncheck.reading.model import CornerReading, EdgeReading, WidthReading
from visioncheck.reading.sources import (
    EDGE_BIAS_MM,
    RECESS_SD_MM,
    Edges,
    corners_by_lines,
    corners_by_view,
    edge_runs,
    edge_sources,
    top_face_sources,
)
from visioncheck.uncertainty import jacobian, welch_satterthwaite

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.camera.view import View
    from visioncheck.edges.trace import Trace

Array = NDArray[np.float64]

_BOW_TO_TURN = math.sqrt(45 / 4 / 12)
"""What moves an edge's ends against each other moves its sagitta too: of short waves alike all along it, n of standard
deviation s, a straight line's ends get s √(12/n) and a parabola's sagitta s √(45/(4 n)), by least squares."""
_NO_PART = 1e-3
"""A source smaller than this against the whole has no part in it, and is not listed."""


@dataclass(frozen=True)
class Piece:
    """Straight lines on the plane of the top face, n of them, and the m places at which they end.

    Of four-sided work n = m = 4, and corner i lies between edges i - 1 and i.

    Attributes
    ----------
    lines : (n,) tuple of FittedLine
        Edge i, on the plane of the paper.
    corners_mm : (m, 2) ndarray
        On the plane of the top face: where two edges meet, or a free end of one.
    corners_px : (m, 2) ndarray
    covariances : mapping of str to (2 m, 2 m) ndarray
        Covariance of the corners (x0, y0, x1, ...), mm², by source; every reading's budget follows from it.
    edge_parts : (n, 2 m, 2 m) ndarray
        Each edge's own part in ``covariances["edge"]``.
    print_gain : (2 m, q) ndarray
        How the corners follow from the print's own numbers, see `View.print_gain`.
    dofs : (n,) ndarray
        Of each edge's own part.
    chain : Chain
        Which edges end at which corner.
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
    chain: Chain = FOUR

    @property
    def is_four_sided(self) -> bool:
        """Whether it has four straight edges that all meet."""
        return self.chain == FOUR

    @property
    def runs_mm(self) -> Array:
        """From the beginning of each edge to its end, (n, 2)."""
        return edge_runs(self.corners_mm, self.chain)

    @property
    def sides_px(self) -> Array:
        """Beginning and end of each edge in the picture, (n, 2, 2)."""
        return np.asarray(self.corners_px[np.array(self.chain.ends)])

    @property
    def lengths_mm(self) -> Array:
        """Lengths of the edges."""
        return np.asarray(np.linalg.norm(self.runs_mm, axis=1))

    def passed_edges(self, by_mm: float) -> tuple[int, ...]:
        """The edges past whose line the outline reaches by more than this, mm.

        Neither a fence nor a saw that cuts right through leaves any of the work there.
        """
        outward = np.array([trace.outward for trace in self.traces])
        starts = self.corners_mm[[start for start, _ in self.chain.ends]]
        past = np.einsum("nd,nmd->nm", outward, self.corners_mm[None] - starts[:, None])
        return tuple(np.flatnonzero(past.max(axis=1) > by_mm).tolist())

    def seen_up_to_mm(self, edge: int) -> tuple[float, float]:
        """How far from its beginning and from its end an edge is seen at all: where stations enough are believed."""
        line = self.lines[edge]
        believed = np.sort(line.along[line.robust_weight > checks.EDGE_BELIEVED])
        fewest = min(checks.LINE_LEAST_STATIONS, len(believed))
        shrink = 1 - self.thickness_mm / self.view.height_mm
        ends = self.view.foot_mm + (self.corners_mm[list(self.chain.ends[edge])] - self.view.foot_mm) / shrink
        start, end = np.sort((ends - line.point) @ line.direction)
        gaps = float(believed[fewest - 1] - start), float(end - believed[-fewest])
        forward = (ends[1] - ends[0]) @ line.direction > 0
        return gaps if forward else gaps[::-1]

    def propagate(self, slope: Array) -> CombinedUncertainty:
        """Uncertainty of a number whose derivative by the corners is `slope`, (2 m,), in its unit per mm."""
        parts = {source: _root(slope @ matrix @ slope) for source, matrix in self.covariances.items()}
        edges = np.sqrt(np.maximum(np.einsum("i,kij,j->k", slope, self.edge_parts, slope), 0))
        rest = np.array([value for source, value in parts.items() if source != "edge"])
        dof = welch_satterthwaite(np.append(edges, rest), np.append(self.dofs, np.full(len(rest), np.inf)))
        u = _root(sum(value**2 for value in parts.values()))
        return CombinedUncertainty(u, dof, {source: value for source, value in parts.items() if value > _NO_PART * u})

    def propagate_directions(self, weights: Array) -> CombinedUncertainty:
        """Uncertainty, in deg, of a sum of the edges' directions, weighted by `weights`, (n,)."""
        return self.propagate(np.degrees(weights @ direction_slopes(self.corners_mm, self.chain)))


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
    chain: Chain = FOUR,
    rough_mm: Array | None = None,
) -> Piece:
    """Fit the lines, meet them, and carry every source of uncertainty to the corners.

    Parameters
    ----------
    edge_bias_mm : float
        Standard uncertainty with which all edges may lie too far out or in alike.
    lean_deg : (2,) tuple of float
        Standard uncertainty with which the top face leans along its long sides and across them: of a board that stands
        on its edge, which need not be square to its faces nor parallel to the other edge.
    chain : Chain
        How the edges follow each other.
    rough_mm : (m, 2) ndarray or None
        Where edges end by the outline, on the plane of the paper; needed for free ends.
    """
    lines = tuple(fit_line(trace.points_mm, trace.weights, 2 * trace.pixel_mm) for trace in traces)
    on_paper = np.array([
        _place(lines, edges, None if rough_mm is None else rough_mm[k]) for k, edges in enumerate(chain.through)
    ])  # fmt: skip
    shrink = 1 - thickness.value / view.height_mm
    corners = view.foot_mm + (on_paper - view.foot_mm) * shrink
    pixels = view.to_image(on_paper)
    by_lines = shrink * corners_by_lines(lines, on_paper, chain)
    by_view = corners_by_view(view, pixels, thickness.value)
    edge_parts = np.stack([by_lines[:, k] @ line.covariance @ by_lines[:, k].T for k, line in enumerate(lines)])
    covariances = {
        "edge": edge_parts.sum(axis=0),
        **edge_sources(view, traces, lines, Edges(on_paper, chain), thickness.value, by_lines, edge_bias_mm),
        **{source: by_view @ matrix @ by_view.T for source, matrix in view.covariances.items()},
        **top_face_sources(view, on_paper, corners, thickness, lean_deg),
    }
    dofs = np.array([max(line.dof, 1.0) for line in lines])
    gain = by_view @ view.print_gain
    return Piece(view, traces, lines, thickness.value, corners, pixels, covariances, edge_parts, gain, dofs, chain)


def _place(lines: tuple[FittedLine, ...], edges: tuple[int, ...], rough: Array | None) -> Array:
    """Where two lines meet, or a line is nearest to its rough end."""
    if len(edges) == 2:
        one, other = (lines[edge] for edge in edges)
        return intersection(one.point, one.direction, other.point, other.direction)
    line = lines[edges[0]]
    assert rough is not None  # of every free end
    return np.asarray(line.point + (rough - line.point) @ line.direction * line.direction)


def direction_slopes(corners: Array, chain: Chain = FOUR) -> Array:
    """Derivative of the edges' directions (rad) by the corners, (n, 2 m)."""
    run = edge_runs(corners, chain)
    across = np.column_stack([-run[:, 1], run[:, 0]]) / np.sum(run**2, axis=1)[:, None]
    slopes = np.zeros((len(run), len(corners), 2))
    for k, (start, end) in enumerate(chain.ends):
        slopes[k, start], slopes[k, end] = -across[k], across[k]
    return slopes.reshape(len(run), -1)


def turn_weights(first: int, second: int, count: int = 4) -> Array:
    """How the interior angle between two edges, the second after the first, follows from the directions of all.

    Edges run with the outside to the normal (-y, x): the interior angle is 180° plus the turn between them.
    """
    weights = np.zeros(count)
    weights[first], weights[second] = -1.0, 1.0
    return weights


def corner_weights(corner: int) -> Array:
    """How the interior angle of a corner of four-sided work follows from the directions of its edges."""
    return turn_weights((corner - 1) % 4, corner)


def read_corners(piece: Piece) -> tuple[CornerReading, ...]:
    """The interior angles where edges meet."""
    return tuple(read_corner(piece, first, second) for first, second in piece.chain.meetings)


def read_corner(piece: Piece, first: int, second: int) -> CornerReading:
    """The angle of the work between two edges, the second after the first, wherever their lines meet.

    Raises
    ------
    ValueError
        They are too nearly parallel.
    """
    run = piece.runs_mm[[first, second]]
    theta = np.arctan2(run[:, 1], run[:, 0])
    turn = float(np.degrees(np.mod(theta[1] - theta[0] + np.pi, 2 * np.pi) - np.pi))
    if abs(np.sin(np.radians(turn))) < checks.EDGES_PARALLEL:
        raise ValueError("the edges are parallel")
    spread = piece.propagate_directions(turn_weights(first, second, len(piece.lines)))
    angle = Quantity(180.0 + turn, spread.u, "deg", spread.dof)
    if (first, second) in piece.chain.through:
        k = piece.chain.through.index((first, second))
        return CornerReading(piece.corners_mm[k], piece.corners_px[k], angle, (first, second))
    on_paper = _place(piece.lines, (first, second), None)
    at_mm = piece.view.foot_mm + (on_paper - piece.view.foot_mm) * (1 - piece.thickness_mm / piece.view.height_mm)
    return CornerReading(at_mm, piece.view.to_image(on_paper[None])[0], angle, (first, second))


def corner_between(piece: Piece, one: int, other: int) -> CornerReading:
    """The corner that two edges would make if the work went on to where their lines meet, under 180°.

    Raises
    ------
    ValueError
        They are too nearly parallel.
    """
    corner = read_corner(piece, one, other)
    return corner if corner.angle.value < 180.0 else read_corner(piece, other, one)


def angle_covariance_deg2(piece: Piece) -> Array:
    """Covariance of the four interior angles of four-sided work, deg²."""
    slopes = np.degrees([corner_weights(corner) for corner in range(4)] @ direction_slopes(piece.corners_mm))
    return np.asarray(slopes @ sum(piece.covariances.values()) @ slopes.T)


def read_edges(piece: Piece) -> tuple[EdgeReading, ...]:
    """Each edge with its stations and residuals, positive to the outside."""
    edges = []
    for k, (trace, line) in enumerate(zip(piece.traces, piece.lines, strict=True)):
        start, end = piece.chain.ends[k]
        sign = 1.0 if line.normal @ trace.outward > 0 else -1.0
        sagitta = bow(line)
        hidden = trace.recess_gain * RECESS_SD_MM * _BOW_TO_TURN
        edges.append(
            EdgeReading(
                piece.corners_mm[start],
                piece.corners_mm[end],
                piece.corners_px[start],
                piece.corners_px[end],
                piece.view.to_image(trace.points_mm),
                sign * line.residuals,
                line.robust_weight,
                Quantity(sign * sagitta.value, math.hypot(sagitta.u, hidden), "mm", sagitta.dof),
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
