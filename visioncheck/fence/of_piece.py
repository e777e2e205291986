"""What the corners or the taper of a piece in a photo say of the fence that it was cut against."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck.fence.squareness import (
    FenceSide,
    PanelFit,
    PieceSide,
    corner_error,
    fit_panel,
    strip_multiple,
    weigh_orders,
)
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading
from visioncheck.reading.perpendicularity import cut_zone
from visioncheck.reading.piece import (
    Piece,
    angle_covariance_deg2,
    corner_weights,
    is_strip,
    long_edge,
    read_corners,
    read_taper,
    read_widths,
    taper_weights,
)

Array = NDArray[np.float64]

_CLOSURE_PROBABILITY = 0.001
_PANEL_PROBABILITY = 0.001


def kind_of(shape: Piece) -> str:
    """Strip, panel or corner from the shape: a panel cut all round has corners in the pattern e, e, e, -3e.

    A piece with one cut has sawmill corners, off by tenths of a degree each way, and fits the pattern by chance
    about once in some hundred pieces.
    """
    if is_strip(shape):
        return "strip"
    angles = np.array([corner.angle.value for corner in read_corners(shape)])
    fits = weigh_orders(angles, angle_covariance_deg2(shape)).fits
    return "panel" if max(fit.probability for fit in fits) > _PANEL_PROBABILITY else "corner"


def with_fence_error(
    reading: Reading,
    shape: Piece,
    cuts: int | None,
    ways: tuple[str, ...],
    fence: FenceSide = "rear",
    side: PieceSide = "left",
) -> Reading:
    """Complete a reading by its fence error, or by the question that stands in its way.

    Parameters
    ----------
    cuts : int or None
        Number of successive cuts behind a strip.
    ways : (4,) tuple of str
        The words by which the user names each edge.
    fence, side : str
        Where the fence stands on the sled, and on which side of the blade the piece was kept; the usual ones.
    """
    if reading.piece == "strip":
        return _strip_error(reading, shape, cuts, ways)
    if reading.piece == "panel":
        return _panel_error(reading, shape, fence, side)
    return _corner_error(reading, shape, fence, side)


def _corner_error(reading: Reading, shape: Piece, fence: FenceSide, piece: PieceSide) -> Reading:
    if reading.fence_edge is None:
        return replace(
            reading,
            question="Which edge lay on the fence? Say --fence-edge top, bottom, left or right, as in the picture.",
        )
    cut = _cut_edge(shape, reading.fence_edge, fence, piece)
    corner = cut if (cut - 1) % 4 == reading.fence_edge else reading.fence_edge
    angle = reading.corners[corner].angle
    return replace(
        reading,
        cut_edge=cut,
        fence_error=corner_error(angle, piece, fence),
        perpendicularity=cut_zone(angle, reading.edges[cut]),
        budget=shape.combination(corner_weights(corner)).parts,
    )


def _cut_edge(shape: Piece, fence_edge: int, fence: FenceSide, piece: PieceSide) -> int:
    """The edge that the blade made: with the piece as it lay at the saw, on the blade's side of it."""
    out = shape.traces[fence_edge].outward
    forward = -out if fence == "rear" else out
    right = np.array([-forward[1], forward[0]])  # x right, y down: a quarter turn clockwise as seen
    side = right if piece == "left" else -right
    neighbours = ((fence_edge - 1) % 4, (fence_edge + 1) % 4)
    return max(neighbours, key=lambda edge: float(shape.traces[edge].outward @ side))


def _panel_error(reading: Reading, shape: Piece, fence: FenceSide, side: PieceSide) -> Reading:
    covariance = angle_covariance_deg2(shape)
    angles = np.array([corner.angle.value for corner in reading.corners])
    dof = min(corner.angle.dof for corner in reading.corners)
    if reading.fence_edge is None:
        weighed = weigh_orders(angles, covariance, side, fence, dof=dof)
        if not weighed.settled():
            return replace(
                reading,
                question="Which edge was cut first? The four orders fit alike; stick a tag on, its arrow to that edge,"
                " or say --fence-edge top, bottom, left or right.",
            )
        corners = [(weighed.best + 1 + k) % 4 for k in range(4)]
        budget = _panel_budget(shape, weighed.fits[weighed.best], corners, weighed.error)
        return replace(reading, fence_error=weighed.error, budget=budget)
    ways = [_fit_way(reading.fence_edge, step, angles, covariance, side, fence, dof) for step in (1, -1)]
    best = min(ways, key=lambda way: way.panel.chi2)
    flags = ("closure",) if best.panel.probability < _CLOSURE_PROBABILITY else ()
    error = _either_way(ways)
    return replace(
        reading,
        fence_error=error,
        panel=best.panel,
        budget=_panel_budget(shape, best.panel, best.corners, error),
        cut_edge=(reading.fence_edge + best.step) % 4,
        flags=flags,
    )


def _panel_budget(shape: Piece, fit: PanelFit, corners: list[int], error: Quantity) -> dict[str, float]:
    """By source, deg; what the fit of one order of cuts does not hold of the error's uncertainty is the order's."""
    weights = sum(weight * corner_weights(c) for weight, c in zip(fit.weights, corners, strict=True))
    parts = dict(shape.combination(np.asarray(weights)).parts)
    order = error.u**2 - sum(part**2 for part in parts.values())
    return parts | {"order of cuts": order**0.5} if order > 1e-4 * error.u**2 else parts


@dataclass(frozen=True)
class _Way:
    """A panel's fit with the cuts following each other one way round."""

    step: int
    corners: list[int]
    panel: PanelFit


def _fit_way(
    first: int, step: int, angles: Array, covariance: Array, side: PieceSide, fence: FenceSide, dof: float
) -> _Way:
    order = [(first + step * k) % 4 for k in range(4)]
    # corner i stands between edges i - 1 and i
    corners = [b if (b - 1) % 4 == a else a for a, b in zip(order, [*order[1:], order[0]], strict=True)]
    panel = fit_panel(
        angles[corners],
        covariance[np.ix_(corners, corners)],
        side,
        fence,
        shear=True,
        dof=dof,
    )
    return _Way(step, corners, panel)


def _either_way(ways: list[_Way]) -> Quantity:
    """The error over both ways round, each with its likelihood.

    The tag tells the first cut; which way the others followed depends on which face lies up in the photo. The
    corners tell it as soon as the error stands out; before that both are close together.
    """
    chi2 = np.array([way.panel.chi2 for way in ways])
    weights = np.exp(-(chi2 - chi2.min()) / 2)
    weights /= weights.sum()
    errors = [way.panel.error for way in ways]
    value = float(sum(w * e.value for w, e in zip(weights, errors, strict=True)))
    variance = float(sum(w * (e.u**2 + (e.value - value) ** 2) for w, e in zip(weights, errors, strict=True)))
    return Quantity(value, variance**0.5, "deg", errors[int(np.argmax(weights))].dof)


def _strip_error(reading: Reading, shape: Piece, cuts: int | None, ways: tuple[str, ...]) -> Reading:
    taper = read_taper(shape)
    first = long_edge(shape)
    budget = shape.combination(taper_weights(shape)).parts
    reading = replace(reading, taper=taper, widths=read_widths(shape), budget=budget)
    if cuts is None:
        return replace(
            reading, question="How many successive cuts made this strip? Say --cuts, 5 for a panel cut all round."
        )
    size = taper.scaled(1 / strip_multiple(cuts), "deg")
    ends = ((first + 1) % 4, (first - 1) % 4)  # the last end of the first long edge, and its other end
    if reading.fence_edge not in ends:
        return replace(
            reading,
            fence_error_size=replace(size, value=abs(size.value)),
            question=f"Which end of the strip was at the fence? Say --fence-edge {ways[ends[0]]} or {ways[ends[1]]}.",
        )
    # positive taper: wider at the last end; e is positive where the fence end is the wider
    sign = 1.0 if reading.fence_edge == ends[0] else -1.0
    return replace(reading, fence_error=size.scaled(sign, "deg"))
