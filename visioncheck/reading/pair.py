"""Two photos of one piece, the second with the piece turned a quarter turn on the sheet, made one reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.reading.piece import Piece
from visioncheck.reading.quarter_turn import (
    kept_metric,
    map_between,
    mean_outline,
    proportions,
    shape_numbers,
    stretch,
    turn_deg,
)
from visioncheck.uncertainty import jacobian, propagate

Array = NDArray[np.float64]

_SHARED = frozenset({"edge", "hollows", "soft edge", "edge bias", "arris", "thickness", "scale", "paper flatness"})
"""What both photos may have alike, the same wood on the same sheet: averaging is not counted on to lower it."""


@dataclass(frozen=True)
class Match:
    """How the second photo's corners answer to the first's: its corner ``(i + shift) % 4`` is the first's i.

    Attributes
    ----------
    shift : int
    turn_deg : float
        By how much the piece was turned, clockwise as seen positive.
    chi2 : float
        Misfit of the two shapes (affine invariants, 2 degrees of freedom).
    """

    shift: int
    turn_deg: float
    chi2: float

    @property
    def is_quarter(self) -> bool:
        """Whether it was turned by a quarter, near enough."""
        return checks.QUARTER_LEAST_DEG <= abs(self.turn_deg) <= checks.QUARTER_MOST_DEG

    @property
    def is_one_piece(self) -> bool:
        """Whether the shapes are one."""
        return self.chi2 < checks.PAIR_UNLIKE_CHI2


def matches(first: Piece, second: Piece, print_covariance: Array) -> tuple[Match, ...]:
    """The ways in which the second outline may be the first one turned, best first.

    Side lengths and the sheet's largest stretch leave one way or two (four for a square); which one it is, two
    affine invariants of the corners tell as far as they differ.
    """
    found = []
    for shift in range(4):
        turned = rolled(second, shift)
        between = map_between(first.corners_mm, turned.corners_mm)
        if _stretch(between) > checks.PAIR_MOST_STRETCH:
            continue
        both = np.concatenate([first.corners_mm.ravel(), turned.corners_mm.ravel()])
        apart, covariance = propagate(_apart, both, sum(joint_covariances(first, turned, print_covariance).values()))
        found.append(Match(shift, turn_deg(between), float(apart @ np.linalg.solve(covariance, apart))))
    return tuple(sorted(found, key=lambda match: match.chi2))


def told_apart(found: tuple[Match, ...]) -> bool:
    """Whether the best of the matches stands out."""
    return len(found) == 1 or found[1].chi2 - found[0].chi2 > checks.PAIR_TOLD_APART


def _stretch(between: Array) -> float:
    """What the sheet would have to be stretched by; for no turn and a half turn, what the map itself stretches."""
    if abs(np.sin(np.radians(turn_deg(between)))) < np.sin(np.radians(30)):
        return stretch(between.T @ between)
    return stretch(kept_metric(between))


def _apart(both: Array) -> Array:
    return shape_numbers(both[:8].reshape(4, 2)) - shape_numbers(both[8:].reshape(4, 2))


def rolled(piece: Piece, shift: int) -> Piece:
    """The piece with its corners counted from its corner `shift`."""
    order = (np.arange(4) + shift) % 4
    flat = (2 * order[:, None] + np.arange(2)).ravel()
    return replace(
        piece,
        corners_mm=piece.corners_mm[order],
        corners_px=piece.corners_px[order],
        lines=tuple(piece.lines[k] for k in order),
        traces=tuple(piece.traces[k] for k in order),
        covariances={source: matrix[np.ix_(flat, flat)] for source, matrix in piece.covariances.items()},
        edge_parts=piece.edge_parts[order][:, flat][:, :, flat],
        print_gain=piece.print_gain[flat],
        dofs=piece.dofs[order],
    )


def joint_covariances(first: Piece, second: Piece, print_covariance: Array) -> Mapping[str, Array]:
    """Covariance of both outlines, (16, 16), by source; the print is the same one in both photos."""
    gain = np.concatenate([first.print_gain, second.print_gain])
    return {**own_covariances(first, second), "print survey": gain @ print_covariance @ gain.T}


def own_covariances(first: Piece, second: Piece) -> dict[str, Array]:
    """What each outline has of its own, (16, 16), by source: all but the print."""
    return {
        source: _beside(first.covariances[source], second.covariances[source])
        for source in first.covariances
        if source != "print survey"
    }


def _beside(first: Array, second: Array) -> Array:
    zero = np.zeros_like(first)
    return np.block([[first, zero], [zero, second]])


def mean_piece(first: Piece, second: Piece, match: Match, print_covariance: Array, *, surveyed: bool) -> Piece:
    """Both pieces as one, lying where the first lies.

    Without a survey the sheet's affine error is found from the turn and taken out, see `quarter_turn`. With one, the
    first outline is corrected by how far the two shapes differ (`_weighted`), since a surveyed lens that is held to a
    sheet not quite known takes up more of its error in one photo than in the other. What remains is propagated: the
    print's error as one and the same in both photos, light, points and the way the piece lay as independent, and what
    the wood itself adds as fully alike, for which twice the variance of independent parts is an upper bound.
    """
    turned = rolled(second, match.shift)
    both = np.concatenate([first.corners_mm.ravel(), turned.corners_mm.ravel()])
    joint = joint_covariances(first, turned, print_covariance)
    corners, slope = _weighted(both, np.sum(list(joint.values()), axis=0)) if surveyed else _freed(both)
    covariances = {
        source: (2.0 if source in _SHARED else 1.0) * slope @ matrix @ slope.T for source, matrix in joint.items()
    }
    edge_parts = np.stack([
        2.0 * slope @ _beside(a, b) @ slope.T for a, b in zip(first.edge_parts, turned.edge_parts, strict=True)
    ])  # fmt: skip
    return replace(
        first,
        corners_mm=corners.reshape(4, 2),
        covariances=covariances,
        edge_parts=edge_parts,
        print_gain=slope @ np.concatenate([first.print_gain, turned.print_gain]),
        dofs=np.minimum(first.dofs, turned.dofs),
    )


def _freed(both: Array) -> tuple[Array, Array]:
    """Mean of two outlines (16,), the sheet's affine error taken out: corners (8,) and their derivative (8, 16)."""

    def model(both: Array) -> Array:
        return mean_outline(both[:8].reshape(4, 2), both[8:].reshape(4, 2)).ravel()

    return model(both), jacobian(model, both, np.ones(16))


def _weighted(both: Array, covariance: Array) -> tuple[Array, Array]:
    """The first of two outlines (16,), given that both have one shape: corners (8,) and their derivative (8, 16).

    Least squares with the covariance of all that is uncertain (A. C. Aitken, *On least squares and linear combination
    of observations*, 1935), as an update by the difference d of the shapes, which should be zero:
    ``c − K d, K = cov(c, d) var(d)⁻¹``. Equal and independent errors give the plain mean; an error that both photos
    share with unequal parts k₁ and −k₂ cancels with the weights k₂ and k₁.
    """

    def differ(both: Array) -> Array:
        return proportions(both[:8].reshape(4, 2)) - proportions(both[8:].reshape(4, 2))

    by_both = jacobian(differ, both, np.ones(16))
    gain = np.linalg.lstsq(by_both @ covariance @ by_both.T, by_both @ covariance[:, :8], rcond=None)[0].T
    return both[:8] - gain @ differ(both), np.eye(8, 16) - gain @ by_both
