"""What is written on the annotated picture: the reading, what may be doubtful about it, and what to do."""

from __future__ import annotations

import textwrap
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from visioncheck.present.assumed import assumed_lines
from visioncheck.present.bevel import format_tilt
from visioncheck.present.correction import percent, with_range
from visioncheck.present.flags import format_doubt
from visioncheck.present.reading import degrees, format_size
from visioncheck.present.slot import format_open
from visioncheck.present.straight import straight_lines
from visioncheck.units import format_error

if TYPE_CHECKING:
    from visioncheck.correction.correct import Advice, Correction
    from visioncheck.reading.model import Reading
    from visioncheck.sled.model import Sled

DPI = 100
"""Of a drawn photo, so that a point of type is so many pixels."""
ORANGE = "#E69F00"
"""Of the palette for every kind of colour vision (B. Wong, Nature Methods 8, 441 (2011))."""
_LETTER = 0.62
"""Breadth of a letter, in its size."""
_SHORT: dict[Advice, str] = {
    "leave it": "leave the fence as it is",
    "move it": "move the fence",
    "measure again": "measure better before you move the fence",
    "finer means needed": "leave the fence until you have finer means",
}


def draw_caption(axes: Any, size_px: tuple[int, int], reading: Reading, exaggeration: float, todo: str) -> None:
    """Write what was read, what may be doubtful and what to do over the corners of a drawn photo of this size."""
    width, height = size_px
    said = f"yellow: the edges as seen, residuals × {exaggeration:.0f}; ±: 95 %"
    if reading.taper:
        name = "wedge" if reading.piece == "gap" else "taper"
        said = f"{name} {degrees(replace(reading.taper, value=abs(reading.taper.value)))}    {said}"
    said = _within(said, width, 11)
    axes.text(14, height - 16, said, fontsize=11, color="white", va="bottom",
              bbox={"fc": "black", "alpha": 0.7, "ec": "none", "pad": 5}, zorder=9)  # fmt: skip
    doubts = "\n".join(f"doubt: {format_doubt(each)}" for each in reading.doubts)
    if doubts:
        axes.text(14, height - 52, _within(doubts, width, 12), fontsize=12, color=ORANGE, va="bottom",
                  bbox={"fc": "black", "alpha": 0.75, "ec": "none", "pad": 5}, zorder=9)  # fmt: skip
    head = "\n".join(line for line in (headline(reading), todo) if line)
    if head:
        axes.text(14, 16, _within(head, width, 20), fontsize=20, color="white", va="top",
                  bbox={"fc": "black", "alpha": 0.75, "ec": "none", "pad": 8}, zorder=9)  # fmt: skip


def _within(text: str, width_px: int, fontsize: float) -> str:
    """The text in lines that fit the picture's width."""
    letter_px = _LETTER * fontsize * DPI / 72
    across = max(int((width_px - 28) / letter_px), 20)
    return "\n".join(textwrap.fill(line, across) for line in text.splitlines())


def headline(reading: Reading) -> str:
    """Say what was read, in the largest type."""
    said = [_format_slot(reading), _format_fence(reading)]
    said += [f"assumed: {line.text}" for line in assumed_lines(reading.assumed)]
    return "\n".join(each for each in said if each)


def _format_slot(reading: Reading) -> str:
    if not reading.slot:
        return ""
    middle = reading.widths[len(reading.widths) // 2].width
    wide = f"{reading.piece} {middle.value:.3f} ± {middle.expanded():.3f} mm wide in its middle"
    return f"{wide}; open {format_open(reading)}" if reading.piece == "gap" else wide


def _format_fence(reading: Reading) -> str:
    if reading.straight:
        return f"fence's bow: {straight_lines(reading.straight, 'mm')[0].text}"
    if reading.tilt:
        return f"blade out of upright by {format_tilt(reading.tilt)}"
    if reading.fence_error:
        ways = format_error(reading.fence_error.value, signed=False)
        return f"fence out {ways.deg} ± {reading.fence_error.expanded():.3f}°  ({ways.in_per_ft}, {ways.mm_per_m})"
    if reading.fence_error_size:
        return f"fence out {format_size(reading.fence_error_size)}, the way not known"
    return ""


def format_todo(correction: Correction, sled: Sled | None) -> str:
    """Say what to do, as short as a picture wants it."""
    chance = f"chance of being inside the tolerance: {percent(correction.now.probability_inside)}"
    if not correction.moves or sled is None:
        return f"{chance}; {_SHORT[correction.advice]}"
    far = with_range(correction.move, sled.units)
    return f"{chance}\nmove its {correction.end.upper()} end {correction.way.upper()} by {far} at the adjuster"
