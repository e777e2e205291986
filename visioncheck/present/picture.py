"""The annotated picture: what was found, which edge is which, and which way the fence goes."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import cv2
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke

from visioncheck.fence.of_halves import ENDS as GAP_ENDS
from visioncheck.files import write_whole
from visioncheck.photo.load import DRAWN
from visioncheck.photo.orientation import upright
from visioncheck.present.fence_marks import fence_marks
from visioncheck.present.picture_caption import DPI, ORANGE, draw_caption, format_todo
from visioncheck.present.reading import degrees
from visioncheck.present.slot import wall_name
from visioncheck.saw import Saw

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from visioncheck.correction.correct import Correction
    from visioncheck.photo.load import Photo
    from visioncheck.reading.model import EdgeReading, Reading
    from visioncheck.sled.model import Sled

    Array = NDArray[np.float64]

_LONG_SIDE_PX = 1600
_NARROWEST = 0.6
"""Short side of a picture at least, in its long side."""
# colours that stay apart for every common kind of colour vision, and in grey:
# B. Wong, Points of view: Color blindness, Nature Methods 8, 441 (2011)
_BLUE, _GREEN, _YELLOW = "#0072B2", "#009E73", "#F0E442"
_BINS = 90
_LEAST_WEIGHT = 0.3
_RESIDUAL_PX = 12.0
_MARGIN = 0.45
_MARGINS = {"slot": 0.12, "gap": 0.3}
"""Of these less; beside a gap a fence has room."""
_LEAST_FENCE_PX, _GAP_FENCE_PX = 300.0, 460.0
_ARROW_PX = 70.0
_NAME_HALF_PX = np.array([24.0, 12.0])
_DARK = "#202020"
_SLOTS = ("slot", "gap")
_EDGE_NAMES = {
    "straight": ("fits the fence", ""),
    "panel": ("first cut", "second cut"),
    "bevel": ("lay on the table", "cut"),
}
_LONG_PIECES = ("strip", *_SLOTS)


@dataclass(frozen=True)
class _Frame:
    """From stored pixels to the picture as it is shown: turned upright, cut out round the piece, scaled."""

    matrix: Array
    width: int
    height: int

    def __call__(self, points_px: Array) -> Array:
        return np.asarray(points_px @ self.matrix[:, :2].T + self.matrix[:, 2])


def draw_reading(
    photo: Photo, reading: Reading, correction: Correction | None, path: Path, sled: Sled | None = None
) -> None:
    """Draw a reading on its photo, turned as the phone shows it, and write it as PNG.

    Parameters
    ----------
    photo : Photo
        The photo as read.
    reading : Reading
        What it says.
    correction : Correction or None
        What is to be done at the fence, where the sled is known.
    path : Path
        The PNG to write.
    sled : Sled or None
        Gives the side of the work the fence was on, and the units.

    Raises
    ------
    UserError
        When the place cannot be written.
    """
    write_whole(path, render_reading(photo, reading, correction, sled))


def render_reading(
    photo: Photo,
    reading: Reading,
    correction: Correction | None,
    sled: Sled | None = None,
    *,
    kind: Literal["png", "jpg"] = "png",
    long_side_px: int = _LONG_SIDE_PX,
    captioned: bool = True,
) -> bytes:
    """Draw a reading on its photo, as `draw_reading` does, for a page that shows pictures small.

    Letters keep their size in pixels, so they are the larger in a smaller picture.

    Parameters
    ----------
    kind : {"png", "jpg"}
        File format.
    long_side_px : int
        Size of the picture.
    captioned : bool
        Write the result and the key into the picture; a page says both beside it.
    """
    frame = _frame(photo, reading, long_side_px)
    shown = cv2.warpAffine(
        photo.bgr, frame.matrix, (frame.width, frame.height), flags=cv2.INTER_AREA, borderValue=(40, 40, 40)
    )
    axes = photo_axes(shown)
    centre = frame(_ends_px(reading)).mean(axis=0)
    exaggeration = _exaggeration(reading, frame)
    for k, edge in enumerate(reading.edges):
        if reading.piece in _SLOTS and k % 2:
            continue  # the ends of a slot were not seen
        _draw_edge(axes, reading, k, edge, frame, centre, exaggeration)
    for cover in reading.covers:
        _draw_cover(axes, frame(cover.start_px), frame(cover.end_px), centre)
    for corner in reading.corners:
        _draw_corner(axes, reading, corner.edges, frame(corner.at_px), centre, degrees(corner.angle))
    if reading.piece == "gap":
        _draw_open_end(axes, reading, frame, centre)
    if reading.fence_edge is not None and reading.fence_error is not None:
        _draw_fence(axes, reading, frame, centre, correction, sled)
    if captioned:
        order = format_todo(correction, sled) if correction else ""
        draw_caption(axes, (frame.width, frame.height), reading, exaggeration, order)
    canvas = io.BytesIO()
    # PNG: a third of the time of the library's own level, for three per cent more bytes
    how = {"quality": 82} if kind == "jpg" else {"compress_level": 4}
    axes.figure.savefig(canvas, format=kind, dpi=DPI, pil_kwargs=how, metadata=DRAWN if kind == "png" else None)
    return canvas.getvalue()


def _frame(photo: Photo, reading: Reading, long_side_px: int) -> _Frame:
    height, width = photo.bgr.shape[:2]
    matrix, width, height = upright(width, height, photo.exif.orientation)
    corners = _ends_px(reading) @ matrix[:, :2].T + matrix[:, 2]
    low, high = corners.min(axis=0), corners.max(axis=0)
    margin = _MARGINS.get(reading.piece, _MARGIN) * float((high - low).max())
    low, high = low - margin, high + margin
    # a narrow slot is shown with enough of the board beside it
    short = np.maximum(_NARROWEST * float((high - low).max()) - (high - low), 0) / 2
    low = np.maximum(low - short, 0)
    high = np.minimum(high + short, [width - 1, height - 1])
    scale = long_side_px / float((high - low).max())
    matrix = scale * np.column_stack([matrix[:, :2], matrix[:, 2] - low])
    size = np.round(scale * (high - low)).astype(int)
    return _Frame(matrix, int(size[0]), int(size[1]))


def _ends_px(reading: Reading) -> Array:
    """Where the edges end in the stored picture, (2 n, 2)."""
    return np.array([end for edge in reading.edges for end in (edge.start_px, edge.end_px)])


def photo_axes(shown: NDArray[Any]) -> Any:
    """Axes in the pixels of a photo (height, width, 3), blue first, which fills its figure."""
    height, width = shown.shape[:2]
    figure = Figure(figsize=(width / DPI, height / DPI), dpi=DPI)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.imshow(shown[:, :, ::-1], aspect="auto")
    axes.set(xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5))
    axes.axis("off")
    return axes


def _exaggeration(reading: Reading, frame: _Frame) -> float:
    """A round factor (1, 2 or 5 times ten) that makes the residuals a few pixels high."""
    counted = [np.abs(edge.residuals_mm[edge.weights > _LEAST_WEIGHT]) for edge in reading.edges]
    every = np.concatenate(counted) if counted else np.zeros(0)
    if not every.size or not every.max() > 0:
        return 1.0
    px_per_mm = float(np.mean([_px_per_mm(edge, frame) for edge in reading.edges]))
    wanted = _RESIDUAL_PX / (float(np.percentile(every, 95)) * px_per_mm)
    decade = 10.0 ** math.floor(math.log10(wanted))
    return max(1.0, decade * max(step for step in (1, 2, 5) if step * decade <= wanted * (1 + 1e-9)))


def _px_per_mm(edge: EdgeReading, frame: _Frame) -> float:
    return float(np.linalg.norm(frame(edge.end_px) - frame(edge.start_px))) / edge.length_mm


def _outward(start: Array, end: Array, centre: Array) -> Array:
    along = (end - start) / np.linalg.norm(end - start)
    normal = np.array([along[1], -along[0]])
    return normal if normal @ (start - centre) > 0 else -normal


def _colour(reading: Reading, k: int) -> str:
    if k == reading.fence_edge:
        return _BLUE
    return ORANGE if k == reading.cut_edge else _GREEN


def _draw_edge(
    axes: Any, reading: Reading, k: int, edge: EdgeReading, frame: _Frame, centre: Array, exaggeration: float
) -> None:
    start, end = frame(edge.start_px), frame(edge.end_px)
    out = _outward(start, end, centre)
    named = k in {reading.fence_edge, reading.cut_edge}
    # thin beside a slot, so that it is seen where the line lies
    bold = 3.5 if named else 1.0 if reading.slot else 2.0
    axes.plot(*zip(start, end, strict=True), color="white", lw=1.5 * bold, zorder=2)
    axes.plot(*zip(start, end, strict=True), color=_colour(reading, k), lw=bold, zorder=3)
    seen = _residual_line(edge, frame, start, end, out, exaggeration)
    axes.plot(
        seen[:, 0],
        seen[:, 1],
        color=_YELLOW,
        lw=1.4,
        zorder=4,
        path_effects=[withStroke(linewidth=2.4, foreground="black")],
    )
    label = wall_name(reading, k) if reading.piece in _SLOTS else _edge_label(reading, k, out)
    if label:
        # the bar of the fence stands outside its edge, so that edge's name goes inside
        side = -out if k == reading.fence_edge and reading.fence_error else out
        _callout(axes, (start + end) / 2 + 24 * side, label, _colour(reading, k), away=side)


def _draw_cover(axes: Any, start: Array, end: Array, centre: Array) -> None:
    """Mark a stretch of an edge that was left out, and say so."""
    axes.plot(*zip(start, end, strict=True), color="black", lw=9, solid_capstyle="butt", zorder=4)
    axes.plot(*zip(start, end, strict=True), color=ORANGE, lw=6, ls=(0, (1.2, 0.8)), zorder=5)
    out = _outward(start, end, centre)
    _callout(axes, (start + end) / 2 - 30 * out, "left out", ORANGE, size=11, away=-out)


def _draw_open_end(axes: Any, reading: Reading, frame: _Frame, centre: Array) -> None:
    """Name the end at which a gap is open, and the straightedge where no fence is drawn there."""
    for k in GAP_ENDS:
        edge = reading.edges[k]
        middle = (frame(edge.start_px) + frame(edge.end_px)) / 2
        out = (middle - centre) / np.linalg.norm(middle - centre)
        if k == reading.open_end:
            _callout(axes, middle - 30 * out, "open end", ORANGE, away=-out)
        if k == reading.fence_edge and reading.fence_error is None:
            _callout(axes, middle + 30 * out, "straightedge", _BLUE, away=out)


def _residual_line(
    edge: EdgeReading, frame: _Frame, start: Array, end: Array, out: Array, exaggeration: float
) -> Array:
    """Medians of the residuals along the edge, as points beside it; NaN where the edge was not seen."""
    stations = frame(edge.stations_px)
    along = (end - start) / np.linalg.norm(end - start)
    place = (stations - start) @ along / float(np.linalg.norm(end - start))
    bins = np.clip((place * _BINS).astype(int), 0, _BINS - 1)
    counted = edge.weights > _LEAST_WEIGHT
    line = np.full((_BINS, 2), np.nan)
    for k in np.unique(bins[counted]):
        residual_px = (
            exaggeration * _px_per_mm(edge, frame) * float(np.median(edge.residuals_mm[counted & (bins == k)]))
        )
        line[k] = start + (k + 0.5) / _BINS * (end - start) + residual_px * out
    return line


def _edge_label(reading: Reading, k: int, out: Array) -> str:
    """Its letter, where letters may be asked for, and what it was or is asked as."""
    lettered = reading.names and (reading.question or not reading.is_four_sided)
    part = _edge_part(reading, k)
    if not part and reading.is_four_sided:
        part = _edge_choice(reading, k, out)
    return ": ".join(word for word in (reading.names[k] if lettered else "", part) if word)


def _edge_part(reading: Reading, k: int) -> str:
    """What it was at the saw."""
    if k in {reading.fence_edge, reading.cut_edge}:
        if reading.piece == "strip" and reading.fence_error:
            return ""  # the bar of the fence stands right there
        names = _EDGE_NAMES.get(reading.piece, ("was at the fence", "fresh cut"))
        return names[0 if k == reading.fence_edge else 1]
    return ""


def _edge_choice(reading: Reading, k: int, out: Array) -> str:
    """The side of the picture that it lies on, where the question offers that."""
    ends_only = reading.piece == "strip" and reading.edges[k].length_mm > reading.edges[k - 1].length_mm
    if reading.fence_edge is None and reading.question and not ends_only:
        if abs(out[1]) > abs(out[0]):
            return "top" if out[1] < 0 else "bottom"
        return "left" if out[0] < 0 else "right"
    return ""


def _draw_corner(axes: Any, reading: Reading, edges: tuple[int, int], at: Array, centre: Array, text: str) -> None:
    wanted = set(edges) == {reading.fence_edge, reading.cut_edge}
    if reading.piece in _LONG_PIECES:
        return
    away = (at - centre) / np.linalg.norm(at - centre)
    axes.plot(*at, "o", ms=9 if wanted else 6, mfc="white", mec="black", zorder=5)
    box = _callout(axes, at + 62 * away, text, _DARK, size=19 if wanted else 13)
    box.set_zorder(8 if wanted else 7)


def _callout(axes: Any, at: Array, text: str, colour: str, size: int = 14, away: Array | None = None) -> Any:
    """Write in a box round `at`, or with `away` (a unit vector) wholly on that side of it."""
    width, height = axes.get_xlim()[1], axes.get_ylim()[0]
    # half of what the box takes, so that it stays within the picture
    half = np.array([0.42 * size * len(text) + 12, 1.1 * size + 8])
    at = at if away is None else at + away * float(half @ np.abs(away))
    x, y = np.clip(at, half, np.array([width, height]) - half)
    box = {"boxstyle": "round,pad=0.35", "fc": "white", "ec": colour, "lw": 2, "alpha": 0.92}
    return axes.text(x, y, text, ha="center", va="center", fontsize=size, color=_DARK, bbox=box, zorder=6)


def _draw_fence(
    axes: Any, reading: Reading, frame: _Frame, centre: Array, correction: Correction | None, sled: Sled | None
) -> None:
    """The fence as a bar beside the edge that lay on it, with the arrow of its correction."""
    assert reading.fence_edge is not None
    edge = reading.edges[reading.fence_edge]
    start, end = frame(edge.start_px), frame(edge.end_px)
    out = _outward(start, end, centre)
    # its ends keep clear of the corners' labels; but it is longer than a strip is wide, and has room for the arrow
    least = _GAP_FENCE_PX if reading.piece == "gap" else _LEAST_FENCE_PX
    half = max(0.5 * float(np.linalg.norm(end - start)) - 50, least / 2)
    middle = (start + end) / 2
    # beside the work, and so far inside the picture that an arrow has room there
    middle = middle + min(118 + 50 * abs(out[0]), max(_ARROW_PX, _room(axes, middle, out) - _ARROW_PX - 10)) * out
    fence = sled.fence_side if sled else Saw().fence
    marks = fence_marks(middle, half, out, fence, correction, _ARROW_PX)
    axes.plot(*zip(*marks.ends.values(), strict=True), color="black", lw=13, solid_capstyle="butt", zorder=4)
    axes.plot(*zip(*marks.ends.values(), strict=True), color=_BLUE, lw=9, solid_capstyle="butt", zorder=5)
    border = np.array([axes.get_xlim()[1], axes.get_ylim()[0]])
    for name, at in marks.names.items():
        shown = np.clip(at, _NAME_HALF_PX, border - _NAME_HALF_PX)
        axes.text(*shown, name, color="white", fontsize=11, ha="center", va="center", zorder=7,
                  path_effects=[withStroke(linewidth=3, foreground="black")])  # fmt: skip
    _callout(axes, middle, "fence, straightedge" if reading.piece == "gap" else "fence", _BLUE)
    if marks.arrow is None:
        return
    start, tip = marks.arrow
    axes.annotate("", xy=tip, xytext=start, zorder=8,
                  arrowprops={"arrowstyle": "simple,head_width=2.6,head_length=2.2,tail_width=1.1",
                              "fc": ORANGE, "ec": "black", "lw": 1.5, "shrinkA": 0, "shrinkB": 0})  # fmt: skip


def _room(axes: Any, start: Array, way: Array) -> float:
    """How far it is from `start` to the picture's border."""
    border = np.where(way > 0, [axes.get_xlim()[1], axes.get_ylim()[0]], 0.0)
    moving = np.abs(way) > 1e-9
    return float(((border - start)[moving] / way[moving]).min())
