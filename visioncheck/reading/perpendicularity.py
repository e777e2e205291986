"""Perpendicularity as drawings give it: the width of a zone in mm, not an angle."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from visioncheck.quantity import Quantity
from visioncheck.uncertainty import Floats, Size, draw, shortest_interval

if TYPE_CHECKING:
    from visioncheck.reading.model import EdgeReading

_RIGHT_ANGLE = 90.0
_DRAWS = 20_000


def cut_zone(angle: Quantity, cut: EdgeReading, nominal_deg: float = _RIGHT_ANGLE) -> Size:
    """Zone, mm, at its nominal angle to the fence edge, that holds the cut over its length; `angle`, deg, is theirs."""
    return zone_width(replace(angle, value=angle.value - nominal_deg), cut.bow, cut.length_mm)


def zone_width(error: Quantity, bow: Quantity, length_mm: float, level: float = 0.95) -> Size:
    """Width of the zone between two parallel lines, exactly square to the datum edge, that hold an edge.

    After ISO 1101:2017 (clause on perpendicularity; number not at hand). The zone holds the edge's own form as well as
    its direction: it is at least the larger of ``L·|sin e|`` and the bow, and at most their sum. The
    width cannot be negative, so its distribution is drawn, not linearised.

    Parameters
    ----------
    error : Quantity
        Angle between the edge and the square to the datum edge, deg, signed.
    bow : Quantity
        Sagitta of the edge over its length, mm, signed; same sense as the fit's normal.
    length_mm : float
        Length over which to give it.
    level : float
        Of the interval.

    Returns
    -------
    Size
        In mm.
    """
    covariance = np.diag([error.u**2, bow.u**2])
    dof = min(error.dof, bow.dof)
    sample = draw(
        lambda x: _width(np.radians(x[0]), x[1], length_mm), [error.value, bow.value], covariance, draws=_DRAWS, dof=dof
    )
    low, high = shortest_interval(sample, level)
    return Size(float(sample.mean()), float(sample.std()), low, high, "mm")


def _width(error_rad: Floats, bow_mm: Floats, length_mm: float) -> Floats:
    """Range of ``rise·x + bow·(1 − 4 x²)`` over −1/2 … 1/2: between its ends, or from one of them to its vertex."""
    rise, bow = np.abs(length_mm * np.sin(error_rad)), np.abs(bow_mm)
    inside = rise < 4 * bow
    vertex = bow + np.divide(rise**2, 16 * bow, out=np.zeros_like(rise), where=inside)
    return np.where(inside, vertex + rise / 2, rise)
