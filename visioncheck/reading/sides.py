"""Which edge of an outline is meant: by the side of the picture as it is shown, or by the arrow of a tag."""

from __future__ import annotations

from collections.abc import Sequence
from string import ascii_lowercase

import numpy as np
from numpy.typing import NDArray

from visioncheck.errors import InputError
from visioncheck.photo.orientation import upright

Array = NDArray[np.float64]

_SIDES = {"top": (0.0, -1.0), "bottom": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}


def sides_of(corners: Array) -> Array:
    """Beginning and end of each side of a closed outline, (n, 2, 2); side i runs from corner i to corner i + 1."""
    return np.stack([corners, np.roll(corners, -1, axis=0)], axis=1)


def edge_ways(sides_px: Array, orientation: int) -> tuple[str, ...]:
    """The side of the picture as it is shown that each edge lies on: top, bottom, left or right.

    Parameters
    ----------
    sides_px : (n, 2, 2) ndarray
        Beginning and end of each edge, in the stored picture.
    orientation : int
        The picture's EXIF orientation.
    """
    towards = _towards(sides_px, orientation)
    return tuple(max(towards, key=lambda word: towards[word][edge]) for edge in range(len(sides_px)))


def edge_on_side(sides_px: Array, orientation: int, side: str) -> int:
    """Number of the edge on a side of the picture as it is shown."""
    return int(np.argmax(_towards(sides_px, orientation)[side]))


def edge_names(sides_px: Array, orientation: int) -> tuple[str, ...]:
    """Name each edge by a letter: ``a`` lies at the top of the picture as it is shown, the others follow clockwise."""
    first, count = edge_on_side(sides_px, orientation, "top"), len(sides_px)
    # outlines run anticlockwise as seen
    return tuple(ascii_lowercase[(first - edge) % count] for edge in range(count))


def _towards(sides_px: Array, orientation: int) -> dict[str, Array]:
    """How squarely each edge lies to the top, bottom, left and right of the picture as it is shown, cosines, (n,).

    By direction alone: of a long piece that lies askew the end is farther to the left than the left side.
    """
    turn = upright(1, 1, orientation)[0][:, :2]
    middles = sides_px.mean(axis=1)
    aside = middles - middles.mean(axis=0)
    aside /= np.linalg.norm(aside, axis=1)[:, None]
    return {word: aside @ (np.array(way) @ turn) for word, way in _SIDES.items()}


def agreed_edge(
    photo: str, ways: Sequence[str], said: int | None, pointed: int | None, parameter: str = "fence_edge"
) -> int | None:
    """The edge at the fence, from what the user said and what the tag's arrow points to; None where neither tells.

    Parameters
    ----------
    photo : str
        The photo's name, for the message.
    ways : (n,) sequence of str
        The side of the picture that each edge lies on.
    said, pointed : int or None
        Numbers of the edges.
    parameter : str
        By which the user said it.

    Raises
    ------
    InputError
        Both tell, and not the same.
    """
    if said is None or pointed is None or said == pointed:
        return pointed if said is None else said
    raise InputError(
        parameter,
        f"the {ways[said]} edge in the picture is said to have been at the fence (<{parameter}>), but the tag's"
        f" arrow points to the {ways[pointed]} one; say nothing of it if the tag is right, else turn the tag or take it"
        " away, and take the photo again",
    ).of(photo)
