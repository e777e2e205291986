"""Repeat cuts in words and as a picture."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from visioncheck.fence.signs import OneCut, fence_error
from visioncheck.present.line import LabelledLine
from visioncheck.present.trend_chart import GRID, INK, PAPER, READING, chart_png
from visioncheck.quantity import coverage_factor
from visioncheck.units import MM_PER_IN, UnitWorld, format_length, format_small

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.quantity import Quantity
    from visioncheck.sled.model import Sled
    from visioncheck.work.lengths import StopsCompared, StopSpread

CAUTIONS = (
    "A stop touches the work on one side of the blade only: the offcut must lie free, or it is caught and thrown.",
    "Never use the rip fence as the stop; no pieces too short to hold with both hands well away from the blade.",
)
"""Common practice, no source."""
_NAMES = ("First stop", "Second stop")


def lengths_lines(
    stops: tuple[StopSpread, ...], compared: StopsCompared | None, units: UnitWorld, sled: Sled | None = None
) -> list[LabelledLine]:
    """Say how far the lengths spread, and whether a second stop continues the first one's zero and line."""
    lines = []
    for name, stop in zip(_NAMES, stops, strict=False):
        label = "Stop" if len(stops) == 1 else name
        lines.append(LabelledLine(label, f"{len(stop.pieces)} pieces{_set_to(stop, units)}"))
        mean = f"{_length(stop.mean.value, units)} ± {format_small(stop.mean.expanded(), units)}"
        scale = ", scale of the sheet included" if stop.mean.u > stop.own.u else ""
        lines.append(LabelledLine("  mean", f"{mean}{scale}"))
        lines.append(LabelledLine("  spread", _spread(stop, units)))
    if compared is None:
        return lines
    lines.append(LabelledLine("Zero", _zero(compared, stops, units)))
    return [*lines, LabelledLine("Line", _line(compared.line, sled))]


def _line(line: Quantity | None, sled: Sled | None) -> str:
    if line is None:
        return "not known: give the corners of the sawn ends of at least two pieces of each stop"
    size = f"{abs(line.value):.3f} ± {line.expanded():.3f}°"
    if abs(line.value) <= line.expanded():
        return f"the second stop's pieces are as square as the first one's: {size} apart, too little to show a kink"
    said = f"the second stop's sawn ends stand at {size} {'more' if line.value > 0 else 'less'} to the fence's edge"
    if sled is None:
        return f"{said}: its fence is out of line with the first one's by that"
    turned = fence_error(OneCut(replace(line, value=sled.saw.nominal_deg + line.value)), sled.saw)
    way = "forward" if turned.value > 0 else "back"
    return f"{said}: its fence is out of line with the first one's by that, its right end too far {way}"


def _set_to(stop: StopSpread, units: UnitWorld) -> str:
    if stop.set_mm is None:
        return ""
    off = stop.mean.value - stop.set_mm
    within = "within the ±" if abs(off) <= stop.mean.expanded() else "too long" if off > 0 else "too short"
    return f" cut at {_length(stop.set_mm, units)}; their mean is {format_small(abs(off), units)} {within}"


def _spread(stop: StopSpread, units: UnitWorld) -> str:
    whole = f"longest less shortest {format_small(stop.range_mm, units)}"
    high = format_small(stop.high_mm, units)
    if stop.low_mm == 0:
        return f"{whole}; no spread of the stop shows beyond the readings' own; at most {high} (95 %)"
    factor = coverage_factor(float("inf"))
    each = format_small(factor * stop.stop_sd_mm, units)
    low = format_small(stop.low_mm, units)
    return f"{whole}; the stop repeats to ± {each} (95 % of pieces), standard deviation between {low} and {high} (95 %)"


def _zero(compared: StopsCompared, stops: tuple[StopSpread, ...], units: UnitWorld) -> str:
    zero = compared.zero
    size = f"{format_small(abs(zero.value), units)} ± {format_small(zero.expanded(), units)}"
    alike = "" if all(stop.set_mm is not None for stop in stops) else " (taken to be set alike)"
    if abs(zero.value) <= zero.expanded():
        return f"the second stop continues the first one's scale: {size} apart, within the ±{alike}"
    way = "long" if zero.value > 0 else "short"
    return f"the second stop's pieces come out {size} too {way}: move its scale by that{alike}"


def _length(mm: float, units: UnitWorld) -> str:
    return f"{mm:.3f} mm" if units == "mm" else f"{mm / MM_PER_IN:.4f} in"


def format_lengths(found: Mapping[str, Any], units: UnitWorld) -> str:
    """Say a logged reading of lengths in a few words."""
    stops = found.get("stops")
    if not isinstance(stops, list) or not stops:
        return ""
    means = ", ".join(format_length(float(stop["mean_mm"]["value"]), units) for stop in stops)
    spread = max(float(stop["range_mm"]) for stop in stops)
    return f"lengths {means}; longest less shortest {format_small(spread, units)}"


def draw_lengths(stops: tuple[StopSpread, ...], units: UnitWorld) -> bytes:
    """Draw every piece's length against its stop's mean, with the ± of its reading; gives a PNG."""
    figure = Figure((7.5, 1.2 + 1.3 * len(stops)), dpi=140, facecolor=PAPER, layout="constrained")
    FigureCanvasAgg(figure)
    per = 1.0 if units == "mm" else MM_PER_IN / 1000
    for axes, stop, name in zip(figure.subplots(len(stops), 1, squeeze=False)[:, 0], stops, _NAMES, strict=False):
        off = [(piece.length_mm - stop.mean.value) / per for piece in stop.pieces]
        error = [coverage_factor(float("inf")) * piece.u_own_mm / per for piece in stop.pieces]
        axes.axvline(0, color=GRID, linewidth=1)
        axes.errorbar(off, range(len(off)), xerr=error, fmt="o", color=READING, capsize=3, markersize=4)
        axes.set_yticks(range(len(off)), [piece.name for piece in stop.pieces], fontsize=7)
        axes.set_ylim(len(off) - 0.5, -0.5)
        unit = "mm" if units == "mm" else "thou"
        axes.set_xlabel(f"length less the mean of {_length(stop.mean.value, units)}, {unit}")
        axes.set_title("" if len(stops) == 1 else name, fontsize=9, color=INK, loc="left")
        for side in ("top", "right", "left"):
            axes.spines[side].set_visible(False)
    return chart_png(figure)
