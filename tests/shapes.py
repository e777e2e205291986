"""Four-sided pieces from sides and angles, and their angles back."""

from __future__ import annotations

import numpy as np


def quadrilateral(sides_mm, angles_deg) -> np.ndarray:
    """Corners (4, 2) from the sides 0-1 and 3-0 and the interior angles at the corners 0, 1 and 3.

    Listed as outlines are: the outside lies at (-y, x) of each side.
    """
    a0, a1, a3 = np.radians(angles_deg)
    second, fourth = np.array([sides_mm[0], 0.0]), sides_mm[1] * np.array([np.cos(a0), -np.sin(a0)])
    from_second = np.array([-np.cos(a1), -np.sin(a1)])
    from_fourth = np.array([np.cos(np.pi - a0 - a3), np.sin(np.pi - a0 - a3)])
    reach = np.linalg.solve(np.column_stack([from_second, -from_fourth]), fourth - second)
    return np.array([np.zeros(2), second, second + reach[0] * from_second, fourth])


def laid(corners: np.ndarray, centre_mm, turn_deg: float) -> np.ndarray:
    """The piece turned and with its middle at `centre_mm`."""
    turn = np.radians(turn_deg)
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return (corners - corners.mean(axis=0)) @ axes.T + np.asarray(centre_mm)


def interior_angles_deg(corners: np.ndarray) -> np.ndarray:
    """Interior angles (4,) of a convex outline."""
    forth, back = np.roll(corners, -1, axis=0) - corners, np.roll(corners, 1, axis=0) - corners
    cosine = np.sum(forth * back, axis=1) / np.linalg.norm(forth, axis=1) / np.linalg.norm(back, axis=1)
    return np.degrees(np.arccos(cosine))
