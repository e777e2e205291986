"""In words, what was taken for want of a sled: it decides which way a fence error goes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.present.line import LabelledLine

if TYPE_CHECKING:
    from collections.abc import Mapping

PARALLEL_ONLY = "true if the board's edges are parallel: half of any angle between them comes in on top"
"""Of two butted halves, one turned over."""
_WORDS = {
    ("fence", "rear"): "the fence at the rear, on the operator's side of the work",
    ("fence", "front"): "the fence in front of the work, away from the operator",
    ("piece_side", "left"): "the piece kept on the left of the blade",
    ("piece_side", "right"): "the piece kept on the right of the blade",
}


def assumed_lines(assumed: Mapping[str, str]) -> list[LabelledLine]:
    """Say what was taken as usual, since nothing told; no line where nothing was.

    Parameters
    ----------
    assumed : mapping of str to str
        ``"fence"`` (rear or front), ``"piece_side"`` (left or right), as far as they were taken.
    """
    if not assumed:
        return []
    taken = " and ".join(_WORDS.get((key, value), f"{key} {value}") for key, value in assumed.items())
    either = "where one of the two is the other way, the direction" if len(assumed) > 1 else "else the direction"
    return [LabelledLine("Assumed", f"{taken}; {either} turns round")]
