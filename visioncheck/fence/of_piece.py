"""What the corners or the taper of a piece in a photo say of the fence that it was cut against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.codes import OUTER_SIDE, Doubt, Question
from visioncheck.fence.mitre import made_at
from visioncheck.fence.signs import (
    FourCuts,
    LastStrip,
    OneCut,
    at_the_saw,
    error_per_taper,
    fence_error,
    strip_multiples,
)
from visioncheck.fence.squareness import fit_panel, weigh_orders
from visioncheck.quantity import Quantity
from visioncheck.reading.model import PanelFit, Reading
from visioncheck.reading.perpendicularity import cut_zone
from visioncheck.reading.piece import (
    Piece,
    angle_covariance_deg2,
    corner_weights,
    long_edge,
    read_taper,
    read_widths,
    taper_weights,
    turn_weights,
)
from visioncheck.saw import Saw

Array = NDArray[np.float64]

EDGES = ("top", "bottom", "left", "right")
"""Sides of the picture."""


def with_fence_error(
    reading: Reading,
    shape: Piece,
    cuts: int | None,
    saw: Saw,
) -> Reading:
    """Complete a reading by its fence error, or by the question that stands in its way.

    Parameters
    ----------
    cuts : int or None
        Number of successive cuts behind a strip.
    saw : Saw
        Where the fence stands on the sled, and on which side of the blade the piece was kept.
    """
    if reading.piece == "strip":
        return _strip_error(reading, shape, cuts, saw)
    if reading.piece == "panel":
        return _panel_error(reading, shape, saw)
    return _corner_error(reading, shape, saw)


def with_rivals(reading: Reading, rivals: Sequence[tuple[Reading, float]]) -> Reading:
    """Take into the fence error's uncertainty that the piece may be of another kind.

    Parameters
    ----------
    rivals : sequence of (Reading, float)
        What the photo says if it is, and how probable that is.
    """
    error = reading.fence_error
    others = [(other.fence_error, share) for other, share in rivals if other.fence_error]
    if error is None or not others:
        return reading
    doubt = sum(share * (other.value - error.value) ** 2 for other, share in others) ** 0.5
    # a strip's budget is its taper's, some times the error's
    whole = sum(part**2 for part in reading.budget.values()) ** 0.5
    return replace(
        reading,
        fence_error=replace(error, u=float(np.hypot(error.u, doubt))),
        budget={**reading.budget, "kind of piece": float(doubt * whole / error.u)},
        doubts=(*reading.doubts, Doubt("kind-doubtful")),
    )


def _corner_error(reading: Reading, shape: Piece, saw: Saw) -> Reading:
    meetings = shape.chain.meetings
    if reading.fence_edge is None:
        question = Question("fence edge", EDGES) if shape.is_four_sided else which_edges(reading, meetings)
        return replace(reading, question=question)
    cuts = _ends_by_place(shape, reading.fence_edge, saw) if reading.cut_edge is None else [reading.cut_edge]
    if not cuts:
        at_fence = [pair for pair in meetings if reading.fence_edge in pair]
        return replace(reading, question=which_edges(reading, at_fence or meetings, first=reading.fence_edge))
    corners = {
        cut: next(each for each in reading.corners if set(each.edges) == {reading.fence_edge, cut}) for cut in cuts
    }
    # a mitred end is told from a square one by its corner, wherever it lies; of two square ones the place tells
    made = {cut: made_at(corners[cut].angle.value, saw) for cut in (cuts if saw.is_mitre else cuts[:1])}
    cut = next((cut for cut in made if made[cut]), cuts[0])
    corner, by = corners[cut], made[cut]
    reading = replace(reading, cut_edge=cut, nominal_deg=saw.nominal_deg)
    if by is None:
        return replace(reading, question=Question("nominal", (f"{corner.angle.value:.2f}", f"{saw.nominal_deg:g}")))
    return replace(
        reading,
        nominal_deg=by.nominal_deg,
        other_half=None if by.piece == saw.piece else by.piece,
        fence_error=fence_error(OneCut(corner.angle), by),
        perpendicularity=cut_zone(corner.angle, reading.edges[cut], by.nominal_deg),
        budget=shape.propagate_directions(turn_weights(*corner.edges, len(shape.lines))).parts,
    )


def which_edges(
    reading: Reading, pairs: Sequence[tuple[int, int]], passed: Sequence[int] = (), first: int | None = None
) -> Question:
    """Ask for the edge at the fence and the fresh cut by their letters; those of corners are offered, either first.

    Parameters
    ----------
    pairs : sequence of (int, int)
        Edges that meet.
    passed : sequence of int
        Edges past whose line the outline reaches.
    first : int or None
        The edge at the fence, where it is known.
    """
    both_ways = [way for pair in pairs for way in (pair, pair[::-1])]
    offered = [way for way in both_ways if first is None or way[0] == first] or both_ways
    choices = tuple(sorted(",".join(reading.names[edge] for edge in way) for way in offered))
    return Question(
        "edges", choices, {"passed": " ".join(sorted(reading.names[edge] for edge in passed))} if passed else {}
    )


def _ends_by_place(shape: Piece, fence_edge: int, saw: Saw) -> list[int]:
    """The edges that meet that at the fence; first the one on the blade's side, with the piece as it lay at the saw.

    Of a square cut the one on the blade's side alone: a piece of any shape may have none there.
    """
    _, right = at_the_saw(shape.traces[fence_edge].outward, saw.fence)
    blade = right if saw.piece == "left" else -right
    reach = {
        edge: float(shape.traces[edge].outward @ blade)
        for pair in shape.chain.meetings
        if fence_edge in pair
        for edge in pair
        if edge != fence_edge
    }
    return sorted((edge for edge in reach if saw.is_mitre or reach[edge] > 0), key=lambda edge: -reach[edge])


def _panel_error(reading: Reading, shape: Piece, saw: Saw) -> Reading:
    covariance = angle_covariance_deg2(shape)
    angles = np.array([corner.angle.value for corner in reading.corners])
    dof = min(corner.angle.dof for corner in reading.corners)
    if reading.fence_edge is None:
        weighed = weigh_orders(angles, covariance, dof=dof)
        if not weighed.settled():
            return replace(
                reading,
                question=Question("first edge", EDGES),
            )
        corners = [(weighed.best + 1 + k) % 4 for k in range(4)]
        budget = _panel_budget(shape, weighed.fits[weighed.best], corners, weighed.opening)
        return replace(reading, fence_error=fence_error(FourCuts(weighed.opening), saw), budget=budget)
    ways = [_fit_way(reading.fence_edge, step, angles, covariance, dof) for step in (1, -1)]
    best = min(ways, key=lambda way: way.panel.chi2)
    chance = best.panel.probability
    doubts = (Doubt("closure", {"chance": chance}),) if chance < checks.PANEL_CLOSURE_CHANCE else ()
    opening = _either_way(ways)
    return replace(
        reading,
        fence_error=fence_error(FourCuts(opening), saw),
        panel=best.panel,
        budget=_panel_budget(shape, best.panel, best.corners, opening),
        cut_edge=(reading.fence_edge + best.step) % 4,
        doubts=doubts,
    )


def _panel_budget(shape: Piece, fit: PanelFit, corners: list[int], opening: Quantity) -> dict[str, float]:
    """By source, deg; what the fit of one order of cuts does not hold of the opening's uncertainty is the order's."""
    weights = sum(weight * corner_weights(c) for weight, c in zip(fit.weights, corners, strict=True))
    parts = dict(shape.propagate_directions(np.asarray(weights)).parts)
    order = opening.u**2 - sum(part**2 for part in parts.values())
    return parts | {"order of cuts": order**0.5} if order > 1e-4 * opening.u**2 else parts


@dataclass(frozen=True)
class _Way:
    """A panel's fit with the cuts following each other one way round."""

    step: int
    corners: list[int]
    panel: PanelFit


def _fit_way(first: int, step: int, angles: Array, covariance: Array, dof: float) -> _Way:
    order = [(first + step * k) % 4 for k in range(4)]
    # corner i stands between edges i - 1 and i
    corners = [b if (b - 1) % 4 == a else a for a, b in zip(order, [*order[1:], order[0]], strict=True)]
    panel = fit_panel(
        angles[corners],
        covariance[np.ix_(corners, corners)],
        shear=True,
        dof=dof,
    )
    return _Way(step, corners, panel)


def _either_way(ways: list[_Way]) -> Quantity:
    """The opening over both ways round, each with its likelihood.

    The tag tells the first cut; which way the others followed depends on which face lies up in the photo. The
    corners tell it as soon as the opening stands out; before that both are close together.
    """
    chi2 = np.array([way.panel.chi2 for way in ways])
    weights = np.exp(-(chi2 - chi2.min()) / 2)
    weights /= weights.sum()
    openings = [way.panel.opening for way in ways]
    value = float(sum(w * a.value for w, a in zip(weights, openings, strict=True)))
    variance = float(sum(w * (a.u**2 + (a.value - value) ** 2) for w, a in zip(weights, openings, strict=True)))
    return Quantity(value, variance**0.5, "deg", openings[int(np.argmax(weights))].dof)


def _strip_error(reading: Reading, shape: Piece, cuts: int | None, saw: Saw) -> Reading:
    taper = read_taper(shape)
    budget = shape.propagate_directions(taper_weights(shape)).parts
    reading = replace(reading, taper=taper, widths=read_widths(shape), budget=budget)
    ends = strip_ends(shape)
    sides = () if reading.fence_edge in ends else tuple(reading.ways[end] for end in ends)
    if cuts is None:
        # with what else is open, so that it can be asked at once
        return replace(reading, question=Question("cuts", sides))
    # a positive taper is wider at the last end
    error = fence_error(LastStrip(taper, "fence" if reading.fence_edge == ends[0] else "far", cuts), saw)
    multiples = strip_multiples(cuts, saw.nominal_deg)
    if len(multiples) > 1:
        reading = _with_own_side(reading, cuts, multiples)
    if reading.fence_edge not in ends:
        return replace(
            reading,
            fence_error_size=replace(error, value=abs(error.value)),
            question=Question("strip end", sides),
        )
    return replace(reading, fence_error=error)


def _with_own_side(reading: Reading, cuts: int, multiples: tuple[int, ...]) -> Reading:
    """The reading of a strip whose outer side is the board's own, with what that adds by source, deg of the error."""
    assert reading.taper is not None
    exact = error_per_taper(replace(reading.taper, u=0.0), multiples)
    share = exact.value / reading.taper.value if reading.taper.value else 1 / cuts
    budget = {source: share * part for source, part in reading.budget.items()} | {OUTER_SIDE: exact.u}
    doubt = Doubt("outer-side", {"cuts": cuts, "least": min(multiples), "most": max(multiples)})
    return replace(reading, budget=budget, doubts=(*reading.doubts, doubt))


def strip_ends(shape: Piece) -> tuple[int, int]:
    """Numbers of a strip's ends: where its first long edge ends, and where that begins."""
    first = long_edge(shape)
    return (first + 1) % 4, (first - 1) % 4
