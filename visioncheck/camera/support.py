"""Whether a survey's photos bear what was made of them, and which photo would help."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

WORST_ANGLE_U_DEG = 0.012
"""Of photos taken at rest: beyond this a survey tells little more than an unsurveyed print's 0.1°; first-order
uncertainty fails there too."""
WORST_HELD_ANGLE_U_DEG = 0.1
"""The same where it is the hand that leaves them open: half of what an unsurveyed print's stretch makes."""
STEADY = "rest the phone on a stack of books beside the sheet and let the self-timer release it"
FAIR_ANGLE_U_DEG = 0.005
"""Beyond this one more photo is worth the trouble; 8 photos as advised give 0.001°."""

_TILTED = np.sin(np.radians(12))
_SIDES = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "top": (0.0, -1.0), "bottom": (0.0, 1.0)}


def angle_u_deg(nominal_mm: Array, covariance_mm2: Array) -> float:
    """Return the standard uncertainty of the worst right angle drawn on the surveyed sheet, deg.

    A square along the sheet is off by the shear, one on its corner by the difference of the scales; photos
    that leave the camera open leave one of the two open, whatever the residuals are.

    Parameters
    ----------
    nominal_mm : (n, 2) ndarray
        The sheet's points as laid out.
    covariance_mm2 : (3 n, 3 n) ndarray
        Of the surveyed points' x, y, z.
    """
    variances = [row @ covariance_mm2 @ row for row in affine_slopes(nominal_mm)]
    return float(np.degrees(np.sqrt(np.max(variances))))


def affine_slopes(nominal_mm: Array) -> Array:
    """How the sheet's shear and its stretch, rad, follow from its points, (2, 3 n): x, y, z of each, mm."""
    n = len(nominal_mm)
    slope = np.linalg.pinv(np.column_stack([nominal_mm, np.ones(n)]))[:2]
    shear, stretch = np.zeros((n, 3)), np.zeros((n, 3))
    shear[:, 0], shear[:, 1] = slope[1], slope[0]
    stretch[:, 0], stretch[:, 1] = slope[0], -slope[1]
    return np.stack([shear.ravel(), stretch.ravel()])


def photo_to_add(rotations: Array) -> str:
    """Say which photo would help most, given those taken: (photos, 3, 3), table to camera."""
    reach = side_reach(rotations)
    side = min(reach, key=lambda name: reach[name])
    turned = is_turned(rotations)
    if reach[side] > _TILTED and turned:
        return (
            "add two or three more sharp photos that the sheet fills, each tilted by about 25 degrees from another side"
        )
    quarter = "" if turned else ", with the phone turned by a quarter turn"
    return f"add a photo tilted by about 25 degrees from the sheet's {side} side{quarter}"


def views_taken(rotations: Array) -> dict[str, bool]:
    """Which kinds of view that a survey needs are there: its four sides by name, ``above`` and ``turned``.

    Parameters
    ----------
    rotations : (photos, 3, 3) ndarray
        Table to camera; may be none.
    """
    if not len(rotations):
        return dict.fromkeys((*_SIDES, "above", "turned"), False)
    above = bool(np.any(np.hypot(rotations[:, 2, 0], rotations[:, 2, 1]) < _TILTED))
    sides = {side: reach > _TILTED for side, reach in side_reach(rotations).items()}
    return {**sides, "above": above, "turned": is_turned(rotations)}


def side_reach(rotations: Array) -> dict[str, float]:
    """Sine of the steepest tilt towards each of the sheet's sides."""
    toward_camera = -rotations[:, 2, :2]
    return {side: float(np.max(toward_camera @ np.array(way))) for side, way in _SIDES.items()}


def is_turned(rotations: Array) -> bool:
    """Whether two of the photos differ by about a quarter turn of the phone."""
    rolls = np.arctan2(rotations[:, 0, 1], rotations[:, 0, 0])
    return bool(np.abs(np.sin(rolls[:, None] - rolls)).max() > 0.7)
