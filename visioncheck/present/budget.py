"""Where a reading's uncertainty comes from, as lines, as bars, and what would make it smaller."""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any

from visioncheck.errors import with_names
from visioncheck.present.line import LabelledLine
from visioncheck.present.naming import NAMING, Door
from visioncheck.quantity import coverage_factor
from visioncheck.results.budget import Budget, CutName

if TYPE_CHECKING:
    from pathlib import Path


_BAR = 24
_WORTH_SAYING = 0.15
_MOST_ADVICE = 2

_BETTER = {
    "edge": "cut a longer test piece, or one with a cleaner edge",
    "hollows": "under pale wood a sheet with a dark field, or a longer piece",
    "soft edge": "turn the light so that no shadow lies along the edge",
    "edge bias": "step nearer, so that a pixel covers less",
    "noise": "more light, and step nearer",
    "roughness": "make a longer {cut}, with a sharper blade, and read its clean side",
    "tone": "step nearer, so that a pixel covers less",
    "arris": "shoot from straight above the piece, and raise the light",
    "order of cuts": "lay a piece tag on it, its arrow to the edge cut first",
    "tight joints": "take the frame apart, clamp its joints tight again and read it once more",
    "outer side": "cut on once round the panel: then the strip hangs on no side of the board",
    "target points": "fill the picture with the sheet, sharp and evenly lit",
    "lens": "survey again, at this very zoom, with more photos",
    "hand": "rest the phone on a stack of books and let the self-timer release it",
    "print survey": "survey again with more photos",
    "paper flatness": "glue the sheet down flat, or lay it on glass",
    "piece placement": "brush off dust, lay the piece flat and straight below the camera, or step back",
    "thickness": "lay a piece tag on it, or say <thickness> from callipers",
    "scale": "read the ruled length with a better rule, and survey again",
}
_NO_SURVEY = "survey the sheet (visioncheck survey) and give <rig>"
_TURN = "; or turn the piece a quarter on the sheet, shoot again and have both photos read as one (<turned>)"
_TURNING_HELPS = {"print survey"}


def budget_lines(budget: Budget) -> list[LabelledLine]:
    """Say each source's standard uncertainty and its share of the variance, and their sum."""
    lines = []
    for source, share in budget.shares:
        bar = "█" * round(_BAR * share)
        lines.append(
            LabelledLine(source, f"{budget.parts[source]:.4f}{budget.unit}  {bar:<{_BAR}}  {100 * share:3.0f} %")
        )
    factor = coverage_factor(budget.dof)
    whole = f"{budget.u:.4f}{budget.unit}, times {factor:.2f} for 95 %: ± {factor * budget.u:.4f}{budget.unit}"
    return [*lines, LabelledLine("together", whole)]


def better_way(source: str, *, surveyed: bool, turned: bool, cut: CutName = "slot", door: Door = "command") -> str:
    """Say what makes a source smaller, given what was done already; `cut` is what has walls."""
    way = _NO_SURVEY if source == "print survey" and not surveyed else _BETTER[source].format(cut=cut)
    more = _TURN if source in _TURNING_HELPS and not turned else ""
    return with_names(way + more, NAMING[door])


def better_lines(budget: Budget, *, surveyed: bool, turned: bool, door: Door = "command") -> list[LabelledLine]:
    """Say what would make the largest sources smaller, and how far the ± would fall at most."""
    lines = []
    for source, share in budget.shares[:_MOST_ADVICE]:
        # an older log may name a source that is no longer one
        if share < _WORTH_SAYING or source not in _BETTER:
            continue
        way = better_way(source, surveyed=surveyed, turned=turned, cut=budget.cut, door=door)
        expanded = coverage_factor(budget.dof) * budget.u
        best = f"± {expanded:.3f}{budget.unit} down to ± {math.sqrt(1 - share) * expanded:.3f}{budget.unit} at best"
        lines.append(LabelledLine("Better", f"{source}: {way} ({best})"))
    return lines


def draw_budget(budgets: tuple[Budget, ...], path: Path, title: str) -> None:
    """Draw budgets as bars, largest source on top, and write them as PNG.

    Raises
    ------
    UserError
        When the place cannot be written.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    from visioncheck.files import write_whole

    rows = sum(len(budget.parts) + 2 for budget in budgets)
    figure = Figure(figsize=(9, 0.9 + 0.36 * rows), dpi=100, layout="constrained")
    FigureCanvasAgg(figure)
    figure.suptitle(title, x=0.01, ha="left", fontsize=13)
    heights = [len(budget.parts) + 1 for budget in budgets]
    all_axes = figure.subplots(len(budgets), 1, squeeze=False, height_ratios=heights)[:, 0]
    for axes, budget in zip(all_axes, budgets, strict=True):
        _draw_bars(axes, budget)
    canvas = io.BytesIO()
    figure.savefig(canvas, format="png")
    write_whole(path, canvas.getvalue())


def _draw_bars(axes: Any, budget: Budget) -> None:
    sources = [source for source, _ in budget.shares]
    sizes = [budget.parts[source] for source in sources]
    axes.barh(sources, sizes, color="#0072B2", height=0.62)
    for k, (source, share) in enumerate(budget.shares):
        axes.text(
            budget.parts[source], k, f" {budget.parts[source]:.4f}{budget.unit}, {100 * share:.0f} %", va="center"
        )
    axes.axvline(budget.u, color="#D55E00", lw=2)
    axes.text(budget.u, len(sources) - 0.4, f"all together {budget.u:.4f}{budget.unit} ", color="#B04400", ha="right",
              va="bottom")  # fmt: skip
    axes.invert_yaxis()
    axes.set(xlim=(0, 1.3 * budget.u), ylim=(len(sources) - 0.1, -0.6))
    axes.set_xlabel(f"standard uncertainty of the {budget.name},{' deg' if budget.unit == '°' else budget.unit}")
    axes.spines[["top", "right"]].set_visible(False)
