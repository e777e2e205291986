"""The fence error of one sled over time, drawn."""

from __future__ import annotations

import io
import itertools
import textwrap
import warnings
from contextlib import contextmanager
from typing import TYPE_CHECKING

import numpy as np

from visioncheck.log.trend import assess, limits_of, segments
from visioncheck.log.words import date_words, trend_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from visioncheck.log.trend import Point
    from visioncheck.units import UnitWorld

# One colour for each thing that the chart says; dark enough on white (WCAG 2.2: 3:1 for graphics)
INK = "#1f2328"
FAINT = "#6b7280"
READING = "#0b5fa5"
TOLERANCE = "#2e7d4f"
ADJUSTED = "#b3470b"
ODD = "#b00020"
PAPER = "#ffffff"


def draw_chart(
    points: Sequence[Point], name: str, tolerance_deg: float | None = None, units: UnitWorld = "mm"
) -> Figure:
    """Draw readings with 95 % intervals, tolerance band, adjustments and control limits; moving ranges below.

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
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.0, 5.4), dpi=150, facecolor=PAPER, layout="constrained")
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[3, 1])
    figure.suptitle(f"{name}: fence error over time", color=INK, fontsize=13, fontweight="bold", parse_math=False)
    _draw_band(upper, tolerance_deg)
    _draw_readings(upper, points)
    _draw_limits(upper, points)
    _draw_ranges(lower, points)
    _set_axes(upper, lower, points, units)
    _draw_adjustments(upper, lower, points)
    figure.supxlabel(textwrap.fill(trend_words(assess(points), units)[0], 105), color=INK, fontsize=9)
    return figure


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
    said = " ".join(trend_words(assess(points), units))
    if not points:
        return f"Chart of the fence error of {name}: empty. {said}"
    first, last = date_words(points[0].time), date_words(points[-1].time)
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
    for part in segments(points):
        axes.plot(_days(part), [p.error.value for p in part], color=READING, linewidth=0.7, alpha=0.6)
    jump = assess(points).jump
    if jump is not None:
        axes.plot(
            _days([jump]), [jump.error.value], "o", mfc="none", mec=ODD, markersize=13, mew=1.6, label="does not fit"
        )


def _draw_limits(axes: Axes, points: Sequence[Point]) -> None:
    labelled = False
    for part in segments(points):
        limits = limits_of(part)
        if limits is None:
            continue
        start, end = _days([part[0], part[-1]])
        outer = axes.hlines([limits.lower, limits.upper], start, end, color=FAINT, ls="dashed", lw=1.1)
        mean = axes.hlines(limits.mean, start, end, color=FAINT, lw=1.1)
        if not labelled:  # one line in the legend for all parts
            outer.set_label("control limits")
            mean.set_label("mean")
            labelled = True


def _draw_ranges(axes: Axes, points: Sequence[Point]) -> None:
    for part in segments(points):
        ranges = [abs(b.error.value - a.error.value) for a, b in itertools.pairwise(part)]
        axes.plot(_days(part[1:]), ranges, ".-", color=READING, linewidth=0.8, markersize=5)
        limits = limits_of(part)
        if limits is not None:
            start, end = _days([part[1], part[-1]])
            axes.hlines(limits.range_upper, start, end, color=FAINT, ls="dashed", lw=1.1)


def _set_axes(upper: Axes, lower: Axes, points: Sequence[Point], units: UnitWorld) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    factor, unit = (12, "in/ft") if units == "in" else (1000, "mm/m")
    upper.set_ylabel("fence error, degrees\n(+: right end forward)", color=INK)
    right = upper.secondary_yaxis(
        "right",
        functions=(lambda deg: factor * np.tan(np.radians(deg)), lambda rise: np.degrees(np.arctan2(rise, factor))),
    )
    right.set_ylabel(unit, color=INK)
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
        axes.grid(color="#d8dee4", linewidth=0.6)
        axes.set_axisbelow(True)
        axes.tick_params(colors=INK)
    if points:
        upper.legend(loc="upper center", bbox_to_anchor=(0.5, 1.16), ncols=6, fontsize=8, frameon=False)


def _draw_adjustments(upper: Axes, lower: Axes, points: Sequence[Point]) -> None:
    adjusted = [point for point in points if point.adjusted]
    for point in adjusted:
        for axes in (upper, lower):
            axes.axvline(*_days([point]), color=ADJUSTED, linewidth=1.2, linestyle=(0, (4, 2)), zorder=2)
    # beyond a few, the words would lie over each other; the lines stay
    for point in adjusted[-4:]:
        upper.annotate(
            textwrap.fill(textwrap.shorten(point.adjusted, 60, placeholder=" …"), 22),
            (_days([point])[0], 0.98),
            xycoords=("data", "axes fraction"),
            xytext=(-3, 0),
            textcoords="offset points",
            rotation=90,
            ha="right",
            va="top",
            fontsize=7.5,
            color=ADJUSTED,
            parse_math=False,
            bbox={"facecolor": PAPER, "alpha": 0.75, "edgecolor": "none", "pad": 1},
            zorder=5,
        )


def _days(points: Sequence[Point]) -> list[float]:
    """Give the readings' times as the axes count them."""
    from matplotlib.dates import date2num

    return [float(date2num(point.time)) for point in points]  # type: ignore[no-untyped-call]
