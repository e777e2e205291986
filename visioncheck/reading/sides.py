"""Which edge of an outline is meant: by the side of the picture as it is shown, or by the arrow of a tag."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from visioncheck.errors import InputError
from visioncheck.photo.orientation import upright

Array = NDArray[np.float64]

EVERY_EDGE = (0, 1, 2, 3)
_SIDES = {"top": (0.0, -1.0), "bottom": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}


def edge_ways(corners_px: Array, orientation: int) -> tuple[str, ...]:
    """The side of the picture as it is shown that each edge lies on: top, bottom, left or right.

    Parameters
    ----------
    corners_px : (4, 2) ndarray
        Of the outline, in the stored picture; edge i runs from corner i to corner i + 1.
    orientation : int
        The picture's EXIF orientation.
    """
    towards = _towards(corners_px, orientation)
    return tuple(max(towards, key=lambda word: towards[word][edge]) for edge in range(4))


def edge_on_side(corners_px: Array, orientation: int, side: str) -> int:
    """Number of the edge on a side of the picture as it is shown."""
    return int(np.argmax(_towards(corners_px, orientation)[side]))


def _towards(corners_px: Array, orientation: int) -> dict[str, Array]:
    """How squarely each edge lies to the top, bottom, left and right of the picture as it is shown, cosines, (4,).

    By direction alone: of a long piece that lies askew the end is farther to the left than the left side.
    """
    turn = upright(1, 1, orientation)[0][:, :2]
    middles = (corners_px + np.roll(corners_px, -1, axis=0)) / 2
    aside = middles - middles.mean(axis=0)
    aside /= np.linalg.norm(aside, axis=1)[:, None]
    return {word: aside @ (np.array(way) @ turn) for word, way in _SIDES.items()}


def agreed_edge(photo: str, ways: Sequence[str], said: int | None, pointed: int | None) -> int | None:
    """The edge at the fence, from what the user said and what the tag's arrow points to; None where neither tells.

    Parameters
    ----------
    photo : str
        The photo's name, for the message.
    ways : (4,) sequence of str
        The side of the picture that each edge lies on.
    said, pointed : int or None
        Numbers of the edges.

    Raises
    ------
    InputError
        Both tell, and not the same.
    """
    if said is None or pointed is None or said == pointed:
        return pointed if said is None else said
    raise InputError(
        "fence_edge",
        f"the {ways[said]} edge in the picture is said to have been at the fence (<fence_edge>), but the tag's"
        f" arrow points to the {ways[pointed]} one; say nothing of it if the tag is right, else turn the tag or take it"
        " away, and take the photo again",
    ).of(photo)
