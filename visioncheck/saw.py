"""How the saw stood when a piece was cut, seen by the operator."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

PieceSide = Literal["left", "right"]
FenceSide = Literal["rear", "front"]

LARGEST_ERROR_DEG = 5.0
"""No fence of a crosscut sled is out by more; a reading that says so has a slip in it."""


@dataclass(frozen=True, slots=True)
class Saw:
    """How the saw stood when the test piece was cut.

    Parameters
    ----------
    fence : {"rear", "front"}
        Rear: the fence is on the operator's side of the work.
    piece : {"left", "right"}
        Side of the blade that the test piece was kept on; of a strip, the panel that it fell off.
    nominal_deg : float
        The angle that the cut should have made with the fence edge.
    """

    fence: FenceSide = "rear"
    piece: PieceSide = "left"
    nominal_deg: float = 90.0

    @property
    def sense(self) -> float:
        """1 where a fence that turns counter-clockwise opens the corner between fence edge and cut, else −1."""
        return 1.0 if (self.piece == "left") == (self.fence == "rear") else -1.0

    @property
    def is_mitre(self) -> bool:
        """Whether the fence is set so far off square that the two halves of a cut are told apart by their corners."""
        return abs(self.nominal_deg - 90.0) > LARGEST_ERROR_DEG

    @property
    def other_half(self) -> Saw:
        """How the same cut is seen by the piece on the other side of the blade: its corner is the complement."""
        return Saw(self.fence, "right" if self.piece == "left" else "left", 180.0 - self.nominal_deg)
