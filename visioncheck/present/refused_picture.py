"""The picture of a photo that is refused: what was found in it, and where the trouble is."""

from __future__ import annotations

import io
import textwrap
from typing import TYPE_CHECKING, Any, Literal

import cv2
import numpy as np

from visioncheck.files import write_whole
from visioncheck.photo.load import DRAWN
from visioncheck.photo.orientation import upright
from visioncheck.present.picture import photo_axes
from visioncheck.present.picture_caption import DPI

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from visioncheck.errors import Marks
    from visioncheck.photo.load import Photo

    Array = NDArray[np.float64]

_LONG_SIDE_PX = 1600
_LETTER = 0.62
"""Breadth of a letter, in its size."""
_SIZE = 18
# colours that stay apart for every common kind of colour vision, and in grey:
# B. Wong, Points of view: Color blindness, Nature Methods 8, 441 (2011)
_BLUE, _ORANGE = "#0072B2", "#E69F00"
_PLACE_PX = 22


def draw_refusal(photo: Photo, marks: Marks, sentence: str, path: Path) -> None:
    """Draw a refused photo, turned as the phone shows it, and write it as PNG.

    Parameters
    ----------
    photo : Photo
        The photo as read.
    marks : Marks
        What was found, and where the trouble is.
    sentence : str
        Why it is refused, and what to do.
    path : Path
        The PNG to write.

    Raises
    ------
    UserError
        When the place cannot be written.
    """
    write_whole(path, render_refusal(photo, marks, sentence))


def render_refusal(
    photo: Photo,
    marks: Marks,
    sentence: str,
    *,
    kind: Literal["png", "jpg"] = "png",
    long_side_px: int = _LONG_SIDE_PX,
) -> bytes:
    """Draw a refused photo as `draw_refusal` does; without a sentence for a page that says it beside the picture."""
    height, width = photo.bgr.shape[:2]
    matrix, width, height = upright(width, height, photo.exif.orientation)
    scale = long_side_px / max(width, height)
    matrix = scale * matrix
    size = (round(scale * width), round(scale * height))
    axes = photo_axes(cv2.warpAffine(photo.bgr, matrix, size, flags=cv2.INTER_AREA))
    found, trouble = (
        [line @ matrix[:, :2].T + matrix[:, 2] for line in lines] for lines in (marks.found, marks.trouble)
    )
    for outline in found:
        _line(axes, np.concatenate([outline, outline[:1]]), _BLUE, 2.5, "--")
    for outline, name in zip(found, marks.names, strict=False):
        _name(axes, outline, name)
    for line in trouble:
        if len(line) == 1:
            at = np.clip(line[0], 0, np.array(size) - 1)
            axes.plot(*at, "o", ms=_PLACE_PX, mfc="none", mec="black", mew=6, zorder=5)
            axes.plot(*at, "o", ms=_PLACE_PX, mfc="none", mec=_ORANGE, mew=3.5, zorder=6)
        else:
            _line(axes, line, _ORANGE, 4.5, "-")
    _caption(axes, _lines(sentence, found, trouble), size[0])
    canvas = io.BytesIO()
    how = {"quality": 82} if kind == "jpg" else {"compress_level": 4}
    axes.figure.savefig(canvas, format=kind, dpi=DPI, pil_kwargs=how, metadata=DRAWN if kind == "png" else None)
    return canvas.getvalue()


def _lines(sentence: str, found: Sequence[Array], trouble: Sequence[Array]) -> list[str]:
    parts = ("dashed blue: what was found", found), ("orange: where the trouble is", trouble)
    key = [words for words, lines in parts if lines]
    return [line for line in (sentence and f"Not measured. {sentence}", "; ".join(key)) if line]


def _line(axes: Any, line: Array, colour: str, wide: float, style: str) -> None:
    axes.plot(line[:, 0], line[:, 1], color="white", lw=wide + 2, zorder=3)
    axes.plot(line[:, 0], line[:, 1], color=colour, lw=wide, ls=style, zorder=4)


def _name(axes: Any, outline: Array, name: str) -> None:
    axes.text(*outline.mean(axis=0), name, fontsize=_SIZE, color="white", ha="center", va="center", weight="bold",
              bbox={"fc": _BLUE, "ec": "white", "boxstyle": "circle"}, zorder=8)  # fmt: skip


def _caption(axes: Any, lines: Sequence[str], width_px: int) -> None:
    across = max(int((width_px - 28) / (_LETTER * _SIZE * DPI / 72)), 20)
    text = "\n".join(textwrap.fill(line, across) for line in lines)
    if text:
        axes.text(14, 16, text, fontsize=_SIZE, color="white", va="top",
                  bbox={"fc": "black", "alpha": 0.75, "ec": "none", "pad": 8}, zorder=9)  # fmt: skip
