"""The work at its tolerance, drawn: the parts with the error much enlarged, and the open joint as large as it is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from visioncheck.present.trend_chart import INK, ODD, PAPER, chart_png
from visioncheck.present.work import format_fault_mm, format_work

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from visioncheck.units import UnitWorld
    from visioncheck.work.asked import Asked
    from visioncheck.work.effects import Work

    Points = NDArray[np.float64]

_WOOD, _END, _FAINT = "#e8d6b8", "#7a5c34", "#9a9a9a"
_SIZE_IN, _DPI = (9.0, 4.6), 140
_SHOWN_GAP = 0.09
"""Share of the reach that the fault takes in the drawing of the parts."""
_MOST_SHOWN_DEG = 5.0
_PAPER_MM = 0.1
"""A sheet of office paper; common practice, no source."""


def draw_work(asked: Asked, units: UnitWorld) -> bytes:
    """Draw a piece of work with its fence error at the tolerance; gives a PNG.

    On the left the parts, with the error so much enlarged that it shows; on the right the gap as large as it is at the
    tolerance, enlarged as a whole, beside a sheet of paper.
    """
    figure = Figure(_SIZE_IN, dpi=_DPI, facecolor=PAPER, layout="constrained")
    FigureCanvasAgg(figure)
    parts, gap = figure.subplots(1, 2, width_ratios=[1.7, 1])
    work = asked.work
    first = work.effects[0]
    shown_deg = min(_MOST_SHOWN_DEG, first.allowed_deg(_SHOWN_GAP * first.reach_mm))
    {"joint": _joint, "panel": _panel, "frame": _frame}.get(work.kind, _box)(parts, work, shown_deg)
    times = shown_deg / asked.tolerance_deg
    parts.set_title(f"error drawn {_two_digits(times)} times too large", fontsize=9, color=INK)
    parts.set_aspect("equal")
    parts.margins(0.08)
    _draw_gap(gap, first.fault_mm(asked.tolerance_deg), units)
    figure.suptitle(f"{format_work(work, units)}: tolerance ± {asked.tolerance_deg:.3f}°", fontsize=10, color=INK)
    for axes in (parts, gap):
        axes.set_axis_off()
    return chart_png(figure)


def _two_digits(times: float) -> str:
    step = 10 ** max(0, math.floor(math.log10(times)) - 1)
    return f"{round(times / step) * step:.0f}"


def _board(axes: Axes, corners: object) -> None:
    points = np.asarray(corners, float)
    axes.fill(*points.T, facecolor=_WOOD, edgecolor=_END, linewidth=1, zorder=2)


def _mark(axes: Axes, start: Points, end: Points, words: str, away: Points) -> None:
    """Mark a fault between two points; `away` is where its words go, in points of type."""
    axes.plot(*np.array([start, end]).T, color=ODD, linewidth=2.2, solid_capstyle="butt", zorder=4)
    x, y = (np.asarray(start) + np.asarray(end)) / 2
    axes.annotate(
        words,
        (float(x), float(y)),
        (float(away[0]), float(away[1])),
        textcoords="offset points",
        color=ODD,
        fontsize=9,
        ha="center",
        va="center",
        arrowprops={"arrowstyle": "-", "color": ODD, "linewidth": 0.8},
        zorder=5,
    )


def _joint(axes: Axes, work: Work, shown_deg: float) -> None:
    """The sawn end stands on an edge, or on another sawn end that leans the other way."""
    w = work.sizes_mm["width"]
    rise = w * math.tan(math.radians(shown_deg))
    _board(axes, [(0, rise), (w, 0), (w, 0.9 * w), (0, 0.9 * w)])
    if work.ends == 1:
        _board(axes, [(-0.35 * w, -0.3 * w), (1.35 * w, -0.3 * w), (1.35 * w, 0), (-0.35 * w, 0)])
        _mark(axes, np.array([0.0, 0.0]), np.array([0.0, rise]), "gap", np.array([-45.0, 25.0]))
    else:
        _board(axes, [(0, -rise), (w, 0), (w, -0.9 * w), (0, -0.9 * w)])
        _mark(axes, np.array([0.0, -rise]), np.array([0.0, rise]), "gap", np.array([-45.0, 0.0]))


def _panel(axes: Axes, work: Work, shown_deg: float) -> None:
    w, length = work.sizes_mm["width"], work.sizes_mm["length"]
    lean = w * math.tan(math.radians(shown_deg))
    corners = np.array([(0, 0), (length, 0), (length + lean, w), (lean, w)])
    _board(axes, corners)
    for a, b in ((0, 2), (1, 3)):
        axes.plot(*corners[[a, b]].T, color=_END, linewidth=0.9, linestyle=(0, (6, 3)), zorder=3)
    axes.plot([0, 0], [0, w * 1.12], color=_FAINT, linewidth=1, zorder=1)
    size = max(w, length)
    axes.text(length / 2, -0.05 * size, "edge at the fence, both times", ha="center", va="top", fontsize=8, color=INK)
    _mark(axes, np.array([0.0, w]), np.array([lean, w]), "gap to a square", np.array([10.0, 30.0]))


def _frame(axes: Axes, work: Work, shown_deg: float) -> None:
    """Every stick in its place, its mitres turned about their outer corners."""
    n = work.sides
    w = work.sizes_mm["width"]
    outer = 2.6 * w * max(1.0, n / 4)
    half, turn = outer * math.tan(math.pi / n), math.radians(shown_deg)
    foot = w * math.tan(math.pi / n + turn)
    stick = np.array([(-half, -outer), (half, -outer), (half - foot, -outer + w), (-half + foot, -outer + w)])
    for k in range(n):
        c, s = math.cos(2 * math.pi * k / n), math.sin(2 * math.pi * k / n)
        _board(axes, stick @ np.array([[c, s], [-s, c]]))
    c, s = math.cos(2 * math.pi / n), math.sin(2 * math.pi / n)
    following = stick @ np.array([[c, s], [-s, c]])
    _mark(axes, stick[2], following[3], "gap", np.array([-50.0, 28.0]))


def _box(axes: Axes, work: Work, shown_deg: float) -> None:
    """One side held upright between front and back above; the box pulled tight below, seen from above its corner."""
    d, h = work.sizes_mm["depth"], work.sizes_mm["height"]
    lean, thick = h * math.tan(math.radians(shown_deg)), 0.06 * d
    lift = 1.5 * h + 0.3 * d + 2 * d * math.tan(math.radians(shown_deg))
    side = np.array([(lean, lift), (d + lean, lift), (d, lift + h), (0, lift + h)])
    _board(axes, side)
    for x in (-thick, d + lean):
        _board(axes, [(x, lift), (x + thick, lift), (x + thick, lift + h), (x, lift + h)])
    _mark(axes, np.array([0, lift]), np.array([lean, lift]), "gap", np.array([-42.0, -10.0]))
    _mark(axes, np.array([d, lift + h]), np.array([d + lean, lift + h]), "gap", np.array([45.0, 12.0]))
    _rocking(axes, d, h, shown_deg)


def _rocking(axes: Axes, d: float, h: float, shown_deg: float) -> None:
    """The box pulled tight: its sides climb and fall from the front, and one back corner stands above the table."""
    width, rise = d, d * math.sin(math.radians(shown_deg))
    slant = np.array([[1.0, 0.0], [0.42, 0.3], [0.0, 1.0]])  # right, back, up as drawn

    def at(x: float, y: float, z: float) -> Points:
        # turned so that front and right side stand on the table
        return np.asarray(np.array([x, y, z + y * math.tan(math.radians(shown_deg))]) @ slant)

    walls = (
        ((0, d, rise), (width, d, -rise)),
        ((0, 0, 0), (0, d, rise)),
        ((width, 0, 0), (width, d, -rise)),
        ((0, 0, 0), (width, 0, 0)),
    )
    for a, b in walls:
        foot = [at(*a), at(*b)]
        _board(axes, [*foot, foot[1] + (0, h), foot[0] + (0, h)])
    table = [np.array([x, y, 0.0]) @ slant for x, y in ((0, 0), (width, 0), (width, d), (0, d), (0, 0))]
    axes.plot(*np.array(table).T, color=_FAINT, linewidth=1, linestyle=(0, (4, 2)), zorder=5)
    _mark(axes, np.array([0.0, d, 0.0]) @ slant, at(0, d, rise), "wind", np.array([-55.0, 8.0]))


def _draw_gap(axes: Axes, gap_mm: float, units: UnitWorld) -> None:
    """The open end of the joint, enlarged as a whole, beside a sheet of paper."""
    high, wide = max(3.2 * gap_mm, 6 * _PAPER_MM), max(2.6 * gap_mm, 5 * _PAPER_MM)
    _board(axes, [(0, gap_mm), (wide, gap_mm), (wide, gap_mm + high / 2), (0, gap_mm + high / 2)])
    _board(axes, [(0, -high / 2), (wide, -high / 2), (wide, 0), (0, 0)])
    x = 0.3 * wide
    axes.annotate("", (x, gap_mm), (x, 0), arrowprops={"arrowstyle": "<->", "color": ODD, "shrinkA": 0, "shrinkB": 0})
    words = format_fault_mm(gap_mm, units)
    axes.text(0.05 * wide, gap_mm + 0.04 * high, words, color=ODD, fontsize=9, va="bottom", zorder=5)
    sheet = [(1.04 * wide, 0), (1.4 * wide, 0), (1.4 * wide, _PAPER_MM), (1.04 * wide, _PAPER_MM)]
    axes.fill(*np.array(sheet).T, facecolor="white", edgecolor=INK, linewidth=0.7, zorder=4)
    axes.text(1.04 * wide, _PAPER_MM + 0.04 * high, "a sheet of\npaper, 0.1 mm", fontsize=8, va="bottom", color=INK)
    axes.set_xlim(-0.05 * wide, 1.75 * wide)
    axes.set_ylim(-0.55 * high, gap_mm + 0.55 * high)
    axes.set_aspect("equal")
    axes.set_title("the gap at the tolerance, enlarged", fontsize=9, color=INK)
