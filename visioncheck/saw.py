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
