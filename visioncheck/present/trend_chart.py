"""The fence error of one sled over time, drawn."""

from __future__ import annotations

import io
import itertools
import textwrap
import warnings
from contextlib import contextmanager
from typing import TYPE_CHECKING

import numpy as np

from visioncheck.log.trend import Odd, assess, assess_all, segments
from visioncheck.present.trend import format_date, format_trend

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from visioncheck.log.trend import Point, Trend
    from visioncheck.units import UnitWorld

# One colour for each thing that the chart says; dark enough on white (WCAG 2.2: 3:1 for graphics)
INK = "#1f2328"
FAINT = "#6b7280"
READING = "#0b5fa5"
TOLERANCE = "#2e7d4f"
ADJUSTED = "#b3470b"
ODD = "#b00020"
PAPER = "#ffffff"
GRID = "#d8dee4"
_WIDE_IN = 8.0
# beyond these, numbers would lie over each other, and words below would leave the drawing no room
_MOST_NUMBERS, _MOST_BELOW = 12, 3


def draw_chart(
    points: Sequence[Point],
    name: str,
    tolerance_deg: float | None = None,
    units: UnitWorld = "mm",
    *,
    width_in: float = _WIDE_IN,
    captioned: bool = True,
) -> Figure:
    """Draw readings with 95 % intervals, tolerance band, adjustments, moves, levels and limits; moving ranges below.

    Parameters
    ----------
    points : sequence of Point
        One sled's readings in order of time; may be empty.
    name : str
        The sled's name.
    tolerance_deg : float or None
        Half width of the tolerance band.
    units : {"in", "mm"}
        Workshop unit of the right-hand scale: in/ft or mm/m.
    width_in : float
        Width of the drawing; letters keep their size, so a narrow one suits a phone.
    captioned : bool
        Write the sled's name above and what the readings say below; a page says both itself.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, 5.4 if captioned else 4.9), dpi=150, facecolor=PAPER, layout="constrained")
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[3, 1])
    _draw_band(upper, tolerance_deg)
    _draw_readings(upper, points)
    trends = assess_all(points)
    _draw_levels(upper, trends)
    _draw_moves(upper, trends)
    _draw_odd(upper, trends)
    _draw_ranges(lower, points, trends)
    _set_axes(upper, lower, points, units)
    _draw_adjustments(upper, lower, points)
    if points:
        above = 1.05 if any(point.adjusted for point in points) else 1.0
        columns = 6 if width_in >= _WIDE_IN else 3
        upper.legend(
            loc="lower center", bbox_to_anchor=(0.5, above), ncols=columns, fontsize=8, frameon=False, labelcolor=INK
        )
    if captioned:
        figure.suptitle(f"{name}: fence error over time", color=INK, fontsize=13, fontweight="bold", parse_math=False)
        below = [format_trend(assess(points), units)[0], *format_adjustment(points)[-_MOST_BELOW:]]
        wrapped = "\n".join(textwrap.fill(line, 105) for line in below)
        figure.supxlabel(wrapped, color=INK, fontsize=9, parse_math=False)
    return figure


def format_adjustment(points: Sequence[Point]) -> list[str]:
    """Say what was done at each numbered adjustment of the chart."""
    adjusted = [point for point in points if point.adjusted]
    return [f"{n}: adjusted before {format_date(p.time)}: {p.adjusted}" for n, p in enumerate(adjusted, 1)]


def chart_bytes(figure: Figure, suffix: str) -> bytes:
    """Write the chart as a file of this kind, ``.png`` or ``.svg``."""
    return chart_svg(figure).encode() if suffix.lower() == ".svg" else chart_png(figure)


def chart_png(figure: Figure) -> bytes:
    """Write the chart as PNG."""
    buffer = io.BytesIO()
    with _any_letters():
        figure.savefig(buffer, format="png")
    return buffer.getvalue()


def chart_svg(figure: Figure) -> str:
    """Write the chart as SVG whose text stays text, so that it can be searched and read aloud."""
    import matplotlib as mpl

    buffer = io.StringIO()
    # no date and fixed names: the same log gives the same file
    with _any_letters(), mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "visioncheck"}):
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    return buffer.getvalue()


def chart_alternative(points: Sequence[Point], name: str, units: UnitWorld) -> str:
    """Describe the chart in words, for those who do not see it."""
    said = " ".join(format_trend(assess(points), units))
    if not points:
        return f"Chart of the fence error of {name}: empty. {said}"
    first, last = format_date(points[0].time), format_date(points[-1].time)
    count = f"{len(points)} reading{'s' if len(points) > 1 else ''}"
    adjustments = sum(bool(point.adjusted) for point in points)
    adjusted = f"adjusted {adjustments} time{'s' if adjustments != 1 else ''}"
    return f"Chart of the fence error of {name}: {count} from {first} to {last}, {adjusted}. {said}"


@contextmanager
def _any_letters() -> Iterator[None]:
    """Let a sled's name have letters that the chart's font lacks: a box in their place is no reason to complain."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing", UserWarning)
        yield


def _draw_band(axes: Axes, tolerance_deg: float | None) -> None:
    axes.axhline(0, color=INK, linewidth=0.8)
    if tolerance_deg is not None:
        axes.axhspan(-tolerance_deg, tolerance_deg, color=TOLERANCE, alpha=0.14, linewidth=0, label="tolerance")
        for edge in (-tolerance_deg, tolerance_deg):
            axes.axhline(edge, color=TOLERANCE, linewidth=0.8)


def _draw_readings(axes: Axes, points: Sequence[Point]) -> None:
    if not points:
        axes.text(0.5, 0.5, "no readings yet", transform=axes.transAxes, ha="center", va="bottom", color=FAINT)
        return
    crowded = len(points) > 80
    axes.errorbar(
        _days(points),
        [point.error.value for point in points],
        yerr=[point.error.expanded() for point in points],
        fmt="o",
        color=READING,
        markersize=2.5 if crowded else 5,
        elinewidth=0.6 if crowded else 1.2,
        capsize=0 if crowded else 3,
        label="reading ± 95 %",
        zorder=4,
    )


def _draw_levels(axes: Axes, trends: Sequence[Trend]) -> None:
    """Draw each stretch's level with its 95 % band, and control limits where it stays level and is long enough."""
    once = _Once()
    for stretch in (stretch for trend in trends for stretch in trend.stretches):
        if len(stretch.points) < 2:
            continue
        days = _days(stretch.points)
        level, half = np.array(stretch.level_deg), 1.96 * np.array(stretch.level_u_deg)
        colour, name = (ODD, "drift ± 95 %") if stretch.drifting else (READING, "mean ± 95 %")
        axes.fill_between(days, level - half, level + half, color=colour, alpha=0.18, linewidth=0)
        axes.plot(days, level, color=colour, linewidth=1.4, label=once(name))
        if stretch.limits is not None:
            limits = [stretch.limits.lower, stretch.limits.upper]
            lines = axes.hlines(limits, days[0], days[-1], color=FAINT, ls="dashed", lw=1.1)
            lines.set_label(once("control limits"))


def _draw_moves(axes: Axes, trends: Sequence[Trend]) -> None:
    """Shade the days between which the fence moved by a step."""
    once = _Once()
    for move in (move for trend in trends for move in trend.moves):
        if move.kind == "step":
            axes.axvspan(*_days([move.first, move.last]), color=ODD, alpha=0.13, linewidth=0, label=once("moved here"))


def _draw_odd(axes: Axes, trends: Sequence[Trend]) -> None:
    newest = [trends[-1].hint] if trends and isinstance(trends[-1].hint, Odd) else []
    odd = [odd.point for odd in [*(odd for trend in trends for odd in trend.odd), *newest]]
    if odd:
        values = [point.error.value for point in odd]
        axes.plot(_days(odd), values, "o", mfc="none", mec=ODD, markersize=13, mew=1.6, label="does not fit")


class _Once:
    """Label the first of each sort, so that the legend has one line for it."""

    def __init__(self) -> None:
        self._said: set[str] = set()

    def __call__(self, name: str) -> str | None:
        first = name not in self._said
        self._said.add(name)
        return name if first else None


def _draw_ranges(axes: Axes, points: Sequence[Point], trends: Sequence[Trend]) -> None:
    for part in segments(points):
        ranges = [abs(b.error.value - a.error.value) for a, b in itertools.pairwise(part)]
        axes.plot(_days(part[1:]), ranges, ".-", color=READING, linewidth=0.8, markersize=5)
    for stretch in (stretch for trend in trends for stretch in trend.stretches):
        if stretch.limits is not None:
            start, end = _days([stretch.points[1], stretch.points[-1]])
            axes.hlines(stretch.limits.range_upper, start, end, color=FAINT, ls="dashed", lw=1.1)


def _set_axes(upper: Axes, lower: Axes, points: Sequence[Point], units: UnitWorld) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    factor, unit = (12, "in/ft") if units == "in" else (1000, "mm/m")
    upper.set_ylabel("fence error, degrees\n(+: right end forward)", color=INK)
    right = upper.secondary_yaxis(
        "right",
        functions=(lambda deg: factor * np.tan(np.radians(deg)), lambda rise: np.degrees(np.arctan2(rise, factor))),
    )
    right.set_ylabel(unit, color=INK)
    right.tick_params(colors=INK)
    lower.set_ylabel("change from\nlast reading, °", color=INK)
    lower.set_ylim(bottom=0)
    if points:
        first, last = _days([points[0], points[-1]])
        room = max(0.04 * (last - first), 0.5 if last > first else 15.0)
        upper.set_xlim(first - room, last + room)
        lower.xaxis_date()
        locator = AutoDateLocator(minticks=3, maxticks=9)  # type: ignore[no-untyped-call]
        lower.xaxis.set_major_locator(locator)
        lower.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    else:
        lower.set_xticks([])
        lower.set_yticks([])
    for axes in (upper, lower):
        axes.grid(color=GRID, linewidth=0.6)
        axes.set_axisbelow(True)
        axes.tick_params(colors=INK)
        for spine in axes.spines.values():
            spine.set_color(FAINT)


def _draw_adjustments(upper: Axes, lower: Axes, points: Sequence[Point]) -> None:
    """Draw a line for each adjustment, numbered above the plot, where no reading can lie below the number."""
    adjusted = [point for point in points if point.adjusted]
    for number, point in enumerate(adjusted, 1):
        (day,) = _days([point])
        for axes in (upper, lower):
            label = "adjusted" if number == 1 and axes is upper else None
            axes.axvline(day, color=ADJUSTED, linewidth=1.2, linestyle=(0, (4, 2)), zorder=2, label=label)
        if number > len(adjusted) - _MOST_NUMBERS:
            upper.annotate(
                str(number),
                (day, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(0, 2),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=9,
                fontweight="bold",
                color=ADJUSTED,
            )


def _days(points: Sequence[Point]) -> list[float]:
    """Give the readings' times as the axes count them."""
    from matplotlib.dates import date2num

    return [float(date2num(point.time)) for point in points]  # type: ignore[no-untyped-call]
