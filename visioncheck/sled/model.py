"""The crosscut sled as its owner describes it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from visioncheck import checks
from visioncheck.saw import Saw
from visioncheck.units import UnitWorld

End = Literal["left", "right"]
Way = Literal["forward", "back"]


@dataclass(frozen=True, slots=True)
class Shims:
    """Leaves (feelers, shims) that the owner has, thickness in mm, one entry for each leaf."""

    leaves_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Screw:
    """An adjusting screw: travel of the fence a turn, and which way a clockwise turn moves the fence there."""

    pitch_mm: float
    clockwise: Way


@dataclass(frozen=True, slots=True)
class Sled:
    """A crosscut sled.

    Parameters
    ----------
    name : str
        What its owner calls it.
    units : {"in", "mm"}
        Units to speak in first.
    tolerance_deg : float
        Largest fence error to live with, deg.
    fence_side : {"rear", "front"}
        Rear: the fence on the operator's side of the work.
    pivot : {"left", "right"}
        The end of the fence that stays.
    adjuster_distance_mm : float
        From the pivot to the place where the fence is moved.
    fence_length_mm : float
        Length over which an error is said.
    adjuster : Shims or Screw
        What moves the fence.
    kerf_mm : float or None
        Width of the blade's cut as measured.
    tip_width_mm : float or None
        Nominal width over the blade's teeth.
    piece_side : {"left", "right"}
        Side of the blade that test pieces are kept from.
    tilt_tolerance_deg : float
        Largest tilt of the blade to live with, deg.
    turned_deg : float
        By how much the fence is set off square on purpose, counter-clockwise seen from above: positive where its right
        end is the one that stands forward.
    """

    name: str
    units: UnitWorld
    tolerance_deg: float
    fence_side: Literal["rear", "front"]
    pivot: End
    adjuster_distance_mm: float
    fence_length_mm: float
    adjuster: Shims | Screw
    kerf_mm: float | None
    tip_width_mm: float | None
    piece_side: End
    turned_deg: float = 0.0
    tilt_tolerance_deg: float = checks.TILT_TOLERANCE_DEG

    @property
    def saw(self) -> Saw:
        """How the saw stands for its test cuts, as their signs need it."""
        square = Saw(self.fence_side, self.piece_side)
        return replace(square, nominal_deg=90.0 + square.sense * self.turned_deg)

    @property
    def moving_end(self) -> End:
        """The end that is adjusted."""
        return "right" if self.pivot == "left" else "left"
