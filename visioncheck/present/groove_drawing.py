"""A laid-out plan as a scale drawing, seen as the operator sees it: the fence on its own side."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator

from visioncheck.present.grooves import format_setting, said
from visioncheck.units import MM_PER_IN

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from visioncheck.kerf.passes import Cut, PlannedCuts
    from visioncheck.kerf.plan import Plan

_WIDTH_IN = 8.5
_BOARD_IN = 1.5
_PASS_IN = 0.3
_GROOVE_IN = 1.25
_DPI = 150
_TALLEST_PX = 60_000
"""The picture library ends at 65 536 px."""
_WOOD, _WALL, _BLADE, _FENCE, _LINE = "#e8d6b8", "#7a5c34", "#4a6d8c", "#555555", "#b03020"
# a drawing's own settings: text as text in the SVG, ids that do not change from run to run
_STYLE: dict[Any, Any] = {"svg.fonttype": "none", "svg.hashsalt": "groove", "font.size": 8.0}
_STYLE |= {"font.family": "DejaVu Sans", "text.parse_math": False}


def draw_layout(layout: PlannedCuts) -> tuple[bytes, bytes]:
    """Draw the board with its grooves, and below it every groove with every pass, each part to its own scale.

    Returns
    -------
    svg, png : bytes
        The same picture twice; the same bytes every time.
    """
    with mpl.rc_context(_STYLE):
        heights = [_BOARD_IN] + [_GROOVE_IN + _PASS_IN * len(cut.passes) for cut in layout.cuts]
        figure = Figure(figsize=(_WIDTH_IN, sum(heights)), layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.subplots(len(heights), 1, squeeze=False, height_ratios=heights)[:, 0]
        _draw_board(axes[0], layout)
        for ax, cut in zip(axes[1:], layout.cuts, strict=True):
            _draw_groove(ax, cut, layout.plan)
        svg, png = io.BytesIO(), io.BytesIO()
        figure.savefig(svg, format="svg", metadata={"Date": None, "Creator": None})
        figure.savefig(png, format="png", dpi=min(_DPI, _TALLEST_PX / sum(heights)), metadata={"Software": None})
    return svg.getvalue(), png.getvalue()


def _draw_board(ax: Axes, layout: PlannedCuts) -> None:
    plan = layout.plan
    per_unit = _mm_per(plan)
    size = plan.board_mm / per_unit
    ax.add_patch(Rectangle((0, 0), size, 1, facecolor=_WOOD, edgecolor=_WALL))
    for k, cut in enumerate(layout.cuts):
        near, far = cut.near_mm / per_unit, cut.far_mm / per_unit
        ax.add_patch(Rectangle((near, 0), far - near, 1, facecolor="white", edgecolor=_WALL))
        # names of neighbours at two heights, so that they do not run into each other
        ax.text((near + far) / 2, 1.08 + 0.3 * (k % 2), cut.groove.name, ha="center", va="bottom")
    ax.add_patch(Rectangle((-0.02 * size, -0.15), 0.02 * size, 1.3, facecolor=_FENCE))
    at_fence, far_off = ("right", "left") if plan.saw.fence == "right" else ("left", "right")
    ax.text(0, 1.75, plan.fence_edge, ha=at_fence, va="bottom", style="italic")
    ax.text(size, 1.75, plan.other_edge, ha=far_off, va="bottom", style="italic")
    _set_axes(ax, plan, (-0.03 * size, 1.03 * size), (-0.2, 2.2))
    ax.set_title(f"{plan.name}: fence on the {plan.saw.fence}, {plan.fence_edge!r} against it", fontweight="bold")


def _draw_groove(ax: Axes, cut: Cut, plan: Plan) -> None:
    per_unit, rows = _mm_per(plan), len(cut.passes)
    near, far = cut.near_mm / per_unit, cut.far_mm / per_unit
    shown = (near - 0.35 * (far - near), far + 2.6 * (far - near))
    start, end = max(0.0, shown[0]), min(plan.board_mm / per_unit, shown[1])
    ax.add_patch(Rectangle((start, -0.9), end - start, 0.8, facecolor=_WOOD))
    for one in cut.passes:
        left, right = one.near_mm / per_unit, one.far_mm / per_unit
        ax.add_patch(Rectangle((left, -0.9), right - left, 0.8, facecolor="white"))
    for k, one in enumerate(cut.passes):
        left, right = one.near_mm / per_unit, one.far_mm / per_unit
        row = rows - 1 - k
        ax.add_patch(Rectangle((left, row + 0.1), right - left, 0.8, facecolor=_BLADE, alpha=0.85))
        words = f"{k + 1}: set {format_setting(one.setting_mm, plan.units)}"
        ax.text(far + 0.3 * (far - near), row + 0.5, words, va="center", ha=_outer(plan))
    for wall in (near, far):
        ax.plot([wall, wall], [-0.9, rows], color=_WALL, linewidth=0.8, linestyle=(0, (4, 2)))
    _draw_blade_line(ax, cut, plan, shown)
    _set_axes(ax, plan, shown, (-1.0, rows + 0.1))
    came = f"{said(cut.width, plan.units)} wide, {said(cut.place, plan.units)} from {cut.groove.edge!r}"
    ax.set_title(f"{cut.groove.name}: {came}", fontsize=8.5)


def _draw_blade_line(ax: Axes, cut: Cut, plan: Plan, shown: tuple[float, float]) -> None:
    line = cut.groove.blade_line_mm
    if line is None:
        return
    place = (line if cut.groove.edge == plan.fence_edge else plan.board_mm - line) / _mm_per(plan)
    if shown[0] < place < shown[1]:
        ax.plot([place, place], [-1.0, len(cut.passes)], color=_LINE, linewidth=0.8, linestyle=(0, (8, 2, 1, 2)))
        ax.text(place, -0.5, " blade's line ", color=_LINE, va="center", ha=_outer(plan))


def _outer(plan: Plan) -> str:
    """Give the alignment of words that start at a place and run away from the fence."""
    return "right" if plan.saw.fence == "right" else "left"


def _set_axes(ax: Axes, plan: Plan, across: tuple[float, float], up: tuple[float, float]) -> None:
    # distances grow away from the fence, which stands on the side where the operator sees it
    ax.set_xlim(*(across[::-1] if plan.saw.fence == "right" else across))
    ax.set_ylim(*up)
    # nothing reaches past the axes; clip paths would bring ids into the SVG that change from run to run
    for artist in (*ax.patches, *ax.lines):
        artist.set_clip_on(False)
    ax.set_yticks([])
    for side in ("left", "right", "top"):
        ax.spines[side].set_visible(False)
    ax.xaxis.set_major_locator(MaxNLocator(8))
    ax.set_xlabel(f"from the edge {plan.fence_edge!r}, {plan.units}")


def _mm_per(plan: Plan) -> float:
    return MM_PER_IN if plan.units == "in" else 1.0
