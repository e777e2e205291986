"""One fence error beside its tolerance, drawn: where it is, with its 95 % interval, and where a move would bring it."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from visioncheck.present.bevel import tilt_tolerance
from visioncheck.present.trend_chart import GRID, INK, PAPER, READING, TOLERANCE
from visioncheck.units import format_error

if TYPE_CHECKING:
    from visioncheck.correction.correct import Correction
    from visioncheck.quantity import Quantity
    from visioncheck.sled.model import Sled

_ROW_IN, _FRAME_IN, _WIDTH_IN = 0.55, 0.9, 7.0
_DPI = 140
_ROOM = 1.25
"""How far the scale goes beyond the farthest thing on it."""


def draw_error(error: Quantity, sled: Sled | None, correction: Correction | None = None, *, signed: bool) -> bytes:
    """Draw a fence error on a scale in degrees.

    Parameters
    ----------
    error : Quantity
        Fence error, deg.
    sled : Sled or None
        Gives the tolerance and the units.
    correction : Correction or None
        Where it names a move, what is expected after it is drawn too.
    signed : bool
        Whether the sign is known; otherwise the error is drawn on both sides.

    Returns
    -------
    bytes
        A PNG.
    """
    rows = _rows(error, signed=signed)
    if signed and correction is not None and correction.moves:
        rows.append(("expected after", correction.after))
    ways = None if sled is None else format_error(sled.tolerance_deg, signed=False)
    said = (
        "" if sled is None or ways is None else f"tolerance ± {ways.in_per_ft if sled.units == 'in' else ways.mm_per_m}"
    )
    label = "fence error, °  (+: the right end too far forward)"
    return _draw(rows, label, sled.tolerance_deg if sled else 0.0, said)


def draw_tilt(tilt: Quantity, sled: Sled | None, *, signed: bool) -> bytes:
    """Draw a blade's tilt, deg, on a scale with its tolerance, as `draw_error` does a fence error; PNG."""
    tolerance = tilt_tolerance(sled)
    label = "the blade's tilt, °  (+: its top leans to the right)"
    return _draw(_rows(tilt, signed=signed), label, tolerance, f"tolerance ± {tolerance:g}°")


def draw_heel(heel: Quantity) -> bytes:
    """Draw the angle between blade and travel, deg, on a scale; PNG."""
    return _draw([("now", heel)], "the blade against the travel, °  (+: the slot wider at its open end)", 0.0, "")


def draw_bow(bow: Quantity) -> bytes:
    """Draw a fence's bow, mm, on a scale; PNG."""
    return _draw([("now", bow)], "the fence's bow, mm  (+: hollow)", 0.0, "", bow.unit)


def _rows(error: Quantity, *, signed: bool) -> list[tuple[str, Quantity]]:
    return [("now", error)] if signed else [("one way", error), ("or the other", error.scaled(-1, "deg"))]


def _draw(rows: list[tuple[str, Quantity]], label: str, tolerance: float, said: str, unit: str = "°") -> bytes:
    figure = Figure((_WIDTH_IN, _FRAME_IN + _ROW_IN * len(rows)), dpi=_DPI, facecolor=PAPER, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    reach = _ROOM * max([tolerance, *(abs(each.value) + each.expanded() for _, each in rows)])
    axes.set(xlim=(-reach, reach), ylim=(len(rows) - 0.5, -0.5), xlabel=label)
    if tolerance > 0:
        axes.axvspan(-tolerance, tolerance, color=TOLERANCE, alpha=0.18, linewidth=0, zorder=0)
        axes.set_title(said, loc="right", fontsize=9, color=TOLERANCE)
    axes.axvline(0, color=GRID, linewidth=1, zorder=1)
    for row, (_, each) in enumerate(rows):
        axes.errorbar(each.value, row, xerr=each.expanded(), fmt="o", color=READING, capsize=4, zorder=3)
        figures = f"{each.value:+.3f} ± {each.expanded():.3f}{'°' if unit == '°' else f' {unit}'}"
        axes.annotate(
            figures, (each.value, row), (0, 7), textcoords="offset points", ha="center", color=INK, fontsize=9
        )
    axes.set_yticks(range(len(rows)), [name for name, _ in rows])
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(axis="y", length=0)
    canvas = io.BytesIO()
    figure.savefig(canvas, format="png")
    return canvas.getvalue()
