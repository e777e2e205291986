"""The figures of a page: chart, annotated photo and budget, each with its words for those who do not see it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
from markupsafe import Markup

from visioncheck.photo.orientation import upright
from visioncheck.present import trend_chart as chart
from visioncheck.present.bevel import format_tilt
from visioncheck.present.budget import better_lines
from visioncheck.present.pages import data_uri
from visioncheck.present.picture import render_reading
from visioncheck.present.reading import degrees
from visioncheck.present.slot import gap_lines

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.correction.correct import Correction
    from visioncheck.log.trend import Point
    from visioncheck.photo.load import Photo
    from visioncheck.reading.model import Reading
    from visioncheck.results.budget import Budget
    from visioncheck.sled.model import Sled
    from visioncheck.units import UnitWorld

_PHOTO_PX = 800
_NARROW_IN = 4.4
# the chart's colours become the stylesheet's, so that it is dark where the page is
_TOKENS = {
    chart.INK: "ink",
    chart.FAINT: "faint",
    chart.READING: "reading",
    chart.TOLERANCE: "tolerance",
    chart.ADJUSTED: "adjusted",
    chart.ODD: "odd",
    chart.PAPER: "card",
    chart.GRID: "grid",
    "#000000": "ink",  # what the drawing library draws unasked
}


@dataclass(frozen=True, slots=True)
class ShownChart:
    """A chart for a page: as SVG for a wide page and for a narrow one, and in words."""

    wide: Markup
    small: Markup
    alternative: str
    captions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ShownPhoto:
    """An annotated photo for a page; without `source` its words stand in its place."""

    alternative: str
    caption: str
    source: str | None = None
    width: int = 0
    height: int = 0


@dataclass(frozen=True, slots=True)
class BudgetPart:
    """One source: its name, standard uncertainty with unit, and share of the variance (number and words)."""

    source: str
    u: str
    share: float
    percent: str


@dataclass(frozen=True, slots=True)
class ShownBudget:
    """A budget for a page, the largest part first, and what would make it smaller."""

    parts: tuple[BudgetPart, ...]
    together: str
    advice: tuple[str, ...]


def chart_view(
    points: Sequence[Point], name: str, sled: Sled | None, prefix: str, alternative: str, captions: Sequence[str] = ()
) -> ShownChart:
    """Draw a sled's chart for a page.

    Parameters
    ----------
    points : sequence of Point
        The readings to draw.
    name : str
        The sled's name.
    sled : Sled or None
        Gives tolerance and units.
    prefix : str
        Letters and digits that set the drawing's ids apart from those of other charts on the page.
    alternative : str
        The chart in words.
    captions : sequence of str
        What stands below it, line by line.
    """
    tolerance = sled.tolerance_deg if sled else None
    units: UnitWorld = sled.units if sled else "mm"
    wide = chart.draw_chart(points, name, tolerance, units, captioned=False)
    small = chart.draw_chart(points, name, tolerance, units, width_in=_NARROW_IN, captioned=False)
    return ShownChart(
        wide=_inline(chart.chart_svg(wide), f"{prefix}w"),
        small=_inline(chart.chart_svg(small), f"{prefix}s"),
        alternative=alternative,
        captions=tuple(captions),
    )


def _inline(svg: str, prefix: str) -> Markup:
    """Make a drawing part of a page: no file header, ids of its own, the page's colours."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->", "", svg, flags=re.DOTALL)
    # a style inside a drawing counts for the whole page; the stylesheet has it for charts alone
    svg = re.sub(r"<style.*?</style>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{prefix}-", svg)
    svg = re.sub(r'(?<=style=")[^"]*', _with_tokens, svg)
    # the drawing library escapes every text that it is given
    return Markup(svg)  # noqa: S704


def _with_tokens(style: re.Match[str]) -> str:
    return re.sub(r"#[0-9a-f]{6}\b", lambda colour: _token(colour[0]), style[0])


def _token(colour: str) -> str:
    return f"var(--{_TOKENS[colour]})" if colour in _TOKENS else colour


def photo_view(
    photo: Photo, reading: Reading | None, correction: Correction | None, sled: Sled | None, caption: str
) -> ShownPhoto:
    """Draw a photo for a page, with what was read where the reading says where it stands."""
    if reading is None:
        content, alternative = _plain(photo), f"The photo {photo.path.name} as it was taken, without marks"
    else:
        content = render_reading(photo, reading, correction, sled, kind="jpg", long_side_px=_PHOTO_PX, captioned=False)
        alternative = describe_photo(reading, correction)
    width, height = _size(content)
    return ShownPhoto(alternative, caption, data_uri(content, "image/jpeg"), width, height)


def describe_photo(reading: Reading, correction: Correction | None) -> str:
    """Describe the annotated photo for those who do not see it."""
    kind = "of a kind still to be told" if reading.open_kinds else f"a {reading.piece}"
    said = [f"Photo of the test piece on its target, {kind}, with the lines of its four edges drawn on it"]
    if reading.piece == "gap":
        what = "the last joint of a frame" if reading.last_joint else "two butted halves"
        said = [f"Photo of {what} on the target, with the lines of the gap's two walls drawn on it"]
        said += [f"{line.label.lower()}: {line.text}" for line in gap_lines(reading)]
    elif reading.taper is not None:
        said.append(
            f"its long edges are {abs(reading.taper.value):.3f}° ± {reading.taper.expanded():.3f}° from parallel"
        )
    named = {reading.fence_edge, reading.cut_edge}
    shown = () if reading.piece in ("strip", "slot", "gap") else reading.corners
    said += [f"corner {degrees(c.angle)}" for c in shown if reading.piece == "panel" or set(c.edges) == named]
    if reading.tilt is not None:
        said.append(f"the blade is out of upright by {format_tilt(reading.tilt)}")
    if reading.fence_edge is not None and reading.fence_error is not None:
        said.append("a bar stands where the fence was")
        if correction is not None and correction.moves:
            said.append(f"an arrow at its {correction.end} end points {correction.way}")
    return "; ".join(said) + "."


def budget_view(budget: Budget, *, surveyed: bool, turned: bool) -> ShownBudget:
    """Make a budget ready for a page.

    Parameters
    ----------
    budget : Budget
        Of the fence error.
    surveyed, turned : bool
        Whether there was a rig, and a second photo of the turned piece; sets the advice.
    """
    parts = tuple(
        BudgetPart(source, f"{budget.parts[source]:.4f}{budget.unit}", round(100 * share, 1), f"{100 * share:.0f} %")
        for source, share in budget.shares
    )
    advice = tuple(line.text for line in better_lines(budget, surveyed=surveyed, turned=turned))
    return ShownBudget(parts, f"{budget.u:.4f}{budget.unit}", advice)


def _plain(photo: Photo) -> bytes:
    height, width = photo.bgr.shape[:2]
    matrix, width, height = upright(width, height, photo.exif.orientation)
    scale = _PHOTO_PX / max(width, height)
    size = (round(scale * width), round(scale * height))
    shown = cv2.warpAffine(photo.bgr, scale * matrix, size, flags=cv2.INTER_AREA)
    return bytes(cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, 82])[1])


def _size(content: bytes) -> tuple[int, int]:
    import io

    from PIL import Image

    with Image.open(io.BytesIO(content)) as picture:
        return picture.size
