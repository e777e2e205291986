"""Where the fence is drawn in a picture, and the arrow of its correction."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck.fence.signs import at_the_saw

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from visioncheck.correction.correct import Correction
    from visioncheck.saw import FenceSide

    Array = NDArray[np.float64]

_NAME_PX = 26.0
_INWARDS = 0.12
"""How far the arrow stands from the fence's end, in half the fence's length."""


@dataclass(frozen=True, slots=True)
class FenceMarks:
    """The fence's ends, where their names stand beyond them, and where its arrow starts and points.

    Each place (2,), in the picture's pixels.
    """

    ends: dict[str, Array]
    names: dict[str, Array]
    arrow: tuple[Array, Array] | None


def fence_marks(
    middle: Array, half_px: float, out: Array, fence: FenceSide, correction: Correction | None, arrow_px: float
) -> FenceMarks:
    """Place the fence beside the edge that lay on it.

    Parameters
    ----------
    middle : (2,) ndarray
        Where its middle stands.
    half_px : float
        Half its length.
    out : (2,) ndarray
        Unit vector out of the piece to the fence, x right and y down.
    fence : {"rear", "front"}
        Side of the work that it stood on.
    correction : Correction or None
        What moves; no arrow without a move.
    arrow_px : float
        The arrow's length.
    """
    forward, right = at_the_saw(out, fence)
    ends = {"left": middle - half_px * right, "right": middle + half_px * right}
    # beyond the ends: an arrow stands at one of them
    names = {"left": ends["left"] - _NAME_PX * right, "right": ends["right"] + _NAME_PX * right}
    if correction is None or not correction.moves:
        return FenceMarks(ends, names, None)
    start = ends[correction.end] + _INWARDS * (middle - ends[correction.end])
    return FenceMarks(ends, names, (start, start + arrow_px * (forward if correction.way == "forward" else -forward)))
