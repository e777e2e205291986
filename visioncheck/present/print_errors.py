"""The print's errors as arrows, drawn for the user."""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from visioncheck.geometry import motion
from visioncheck.printed.layout import target_layout

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from visioncheck.camera.survey import Survey
    from visioncheck.printed.layout import Paper

_SHEET_IN = 5.2
_TITLES_IN = 0.9
_DPI = 140
_ARROW_MM = 12.0
"""How long the longest arrow is drawn, on the sheet's own scale."""
_INK, _PAPER, _WHOLE, _LOCAL = "#333333", "#fbfaf7", "#b03020", "#2a6a7a"
_STYLE: dict[Any, Any] = {"font.family": "DejaVu Sans", "font.size": 9.0, "text.parse_math": False}


def draw_print(found: Survey, paper: str) -> bytes:
    """Draw each surveyed sheet twice: all of its errors, and what is left without scale and shear.

    Returns
    -------
    bytes
        A PNG.
    """
    from visioncheck.camera.survey_frame import print_error

    layout = target_layout(paper)
    sheets = np.unique(found.sheet)
    ratio = layout.paper.height_mm / layout.paper.width_mm
    with mpl.rc_context(_STYLE):
        figure = Figure((2 * _SHEET_IN, len(sheets) * (_SHEET_IN * ratio + _TITLES_IN)), layout="constrained")
        FigureCanvasAgg(figure)
        grid = figure.subplots(len(sheets), 2, squeeze=False)
        for row, sheet in zip(grid, sheets, strict=True):
            own = found.sheet == sheet
            nominal, printed = layout.saddles_mm[found.index[own]], found.points_mm[own, :2]
            whole, local = laid_upon(nominal, printed) - nominal, print_error(nominal, printed)[2]
            for axes, error, title, colour in (
                (row[0], whole, f"Sheet {sheet}: as printed", _WHOLE),
                (row[1], local, "without scale and shear", _LOCAL),
            ):
                _lay_paper(axes, layout.paper)
                scale = _arrows(axes, nominal, error, colour)
                axes.set_title(f"{title}\n{scale}", loc="left")
        content = io.BytesIO()
        figure.savefig(content, format="png", dpi=_DPI)
    return content.getvalue()


def laid_upon(nominal: NDArray[np.float64], printed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Bring printed points (n, 2) by turn and shift alone as near to the nominal ones as they go."""
    turn, shift = motion(printed, nominal)
    return np.asarray(printed @ turn.T + shift)


def _lay_paper(axes: Axes, paper: Paper) -> None:
    axes.add_patch(Rectangle((0, 0), paper.width_mm, paper.height_mm, facecolor=_PAPER, edgecolor=_INK, linewidth=0.8))
    axes.set_xlim(-8, paper.width_mm + 8)
    axes.set_ylim(paper.height_mm + 8, -8)
    axes.set_aspect("equal")
    axes.axis("off")


def _arrows(axes: Axes, nominal: NDArray[np.float64], error: NDArray[np.float64], colour: str) -> str:
    """Draw an arrow at every point; returns what their length means."""
    longest = float(np.linalg.norm(error, axis=1).max())
    times = _round_down(_ARROW_MM / max(longest, 1e-3))
    (x, y), (right, down) = nominal.T, times * error.T
    axes.scatter(x, y, s=3, color=_INK, linewidths=0)
    axes.quiver(x, y, right, down, angles="xy", scale_units="xy", scale=1, color=colour, width=0.004, headwidth=3.5)
    return f"longest arrow {longest:.2f} mm, drawn {times:g} times larger"


def _round_down(value: float) -> float:
    """Return the greatest 1, 2 or 5 times a power of ten that is not above `value`."""
    power = 10.0 ** math.floor(math.log10(value))
    return power * max(step for step in (1, 2, 5) if step * power <= value)
