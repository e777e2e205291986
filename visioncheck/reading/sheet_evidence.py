"""What a workpiece shows of the sheet that it lies on, with the piece as the reference.

Two photos of one piece, turned a quarter in between, must show one shape; a panel cut all round by one fence must show
two equal corners. Where they do not, it is noise or the sheet, and how the camera was held has no part in it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from visioncheck.camera.refine import Evidence
from visioncheck.reading.pair import Match, own_covariances, rolled
from visioncheck.reading.piece import Piece, corner_weights, direction_slopes, read_corners
from visioncheck.reading.quarter_turn import proportions
from visioncheck.uncertainty import jacobian

Array = NDArray[np.float64]

SEATING_SD_DEG = 0.01
"""How much one cut of a panel differs from the next by how it was seated at the fence; common practice, no source."""


def pair_evidence(first: Piece, second: Piece, match: Match) -> Evidence:
    """How the two photos' shapes differ: four numbers, see `proportions`.

    What both photos share, the wood above all, cancels in the difference; it is counted as if it did not, so the noise
    is an upper bound.
    """
    turned = rolled(second, match.shift)
    both = np.concatenate([first.corners_mm.ravel(), turned.corners_mm.ravel()])
    slope = jacobian(_difference, both, np.ones(16))
    own = own_covariances(first, turned)
    gain = np.concatenate([first.print_gain, turned.print_gain])
    return Evidence(_difference(both), slope @ gain, slope @ sum(own.values()) @ slope.T)


def _difference(both: Array) -> Array:
    return proportions(both[8:].reshape(4, 2)) - proportions(both[:8].reshape(4, 2))


def panel_evidence(panel: Piece, first_cut: int) -> Evidence:
    """How the panel's second corner differs from its third, deg: one number.

    Cut in order by a fence that is out by e, the corners are 90 + e, 90 + e, 90 + e, 90 − 3 e. Whichever way round the
    cuts followed `first_cut`, an edge, the two corners at the edge across are 90 + e, and a sheet that is out of square
    opens one and closes the other.
    """
    across = (first_cut + 2) % 4
    # corner i stands between edges i - 1 and i
    corners = across, (across + 1) % 4
    slope = np.degrees((corner_weights(corners[0]) - corner_weights(corners[1])) @ direction_slopes(panel.corners_mm))
    angles = [read_corners(panel)[corner].angle.value for corner in corners]
    wood = sum(matrix for source, matrix in panel.covariances.items() if source != "print survey")
    noise = slope @ wood @ slope + 2 * SEATING_SD_DEG**2
    return Evidence(np.array([angles[0] - angles[1]]), (slope @ panel.print_gain)[None], np.array([[float(noise)]]))
