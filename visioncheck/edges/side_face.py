"""What a wall's side face tells of the depth of a slot, and so of the thickness of the work."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from visioncheck import checks
from visioncheck.camera.view import View
from visioncheck.outline.guide import Guide
from visioncheck.quantity import Quantity

_U_SHARE, _U_MM = 0.04, 0.05
"""Standard uncertainty of a side face's breadth as a measure of depth, its share and its rest: on three test photos
breadths of 1.1 to 2.6 mm were 0.04 mm below to 0.01 mm above what was reckoned; edges are worn, and shaded below."""


@dataclass(frozen=True)
class SideFace:
    """What shows of a wall's side face, and what of the floor beyond it.

    Attributes
    ----------
    breadth_mm : float
        From the arris to the line where the wall ends below, on the plane of the paper.
    away_mm : float
        How far the arris lies from the point straight below the camera, plane of the paper.
    floor_tint : float
        log(blue/green) of the floor, less that of the top face beside the wall.
    floor_light : float
        Linear light of the floor.
    """

    breadth_mm: float
    away_mm: float
    floor_tint: float
    floor_light: float


def away_mm(view: View, wall: Guide) -> float:
    """How far the point straight below the camera lies from the wall, towards its slot; negative behind it."""
    return float((view.foot_mm - (wall.start_mm + wall.end_mm) / 2) @ wall.normal)


def depth_seen(side: SideFace, height_mm: float) -> Quantity:
    """How deep the wall goes, mm, by its side face's breadth and the camera's height.

    An arris at height t above the paper, x from the camera's foot on the plane of the paper, stands at x (1 - t/h);
    there its foot is seen on the paper, so that t = h b / x. Of a groove that does not go through this is less
    than the thickness and more than the depth.
    """
    by_breadth = height_mm / side.away_mm
    u = float(np.hypot(_U_SHARE * side.breadth_mm, _U_MM))
    return Quantity(by_breadth * side.breadth_mm, by_breadth * u, "mm")


def with_sides(told: Quantity, sides: tuple[SideFace, ...], height_mm: float) -> Quantity:
    """The thickness told and those that side faces above the sheet show, weighed (their weighted mean)."""
    seen = [depth_seen(side, height_mm) for side in sides if shows_sheet(side)]
    weights = [each.u**-2 for each in (told, *seen)]
    mean = sum(w * each.value for w, each in zip(weights, (told, *seen), strict=True)) / sum(weights)
    return replace(told, value=mean, u=sum(weights) ** -0.5)


def shows_sheet(side: SideFace) -> bool:
    """Whether the floor is the sheet for certain, so that the slot goes through."""
    return side.floor_light > checks.FLOOR_DARK and side.floor_tint > checks.FLOOR_SHEET_TINT
