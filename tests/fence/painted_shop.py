"""What a shop does with boards, painted on photos of the bare sheet with exact truth: a board cut twice, an edge that
fits the fence, pieces cut at a stop, a board stood on its edge."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from PIL import Image

from tests.flags.painted import Picture, again, photo, sawn, tilted
from tests.hard.scene import GRAIN, WOODS, Block, Lamp, shoot
from tests.shapes import laid, quadrilateral
from visioncheck.camera.view import RigidView
from visioncheck.reading.sides import edge_ways, sides_of

_ORIENTATION = 0x0112
"""EXIF's tag of how a picture is to be turned to be looked at."""


@dataclass(frozen=True)
class Shot:
    """How a photo was taken: a bare sheet's photo, taken anew from a tilt (deg) where one is told, and the light."""

    base: str = "survey-5"
    tilt_deg: float | None = None
    lamp: Lamp = field(default_factory=Lamp)
    wood: str = "birch"
    seed: int = 3


@dataclass(frozen=True)
class Board:
    """A board of these corners (4, 2) mm; its edge 0 is bowed to the outside, its top face leans, deg by mm ways.

    `lean_deg` is along edge 0 and across it.
    """

    corners_mm: np.ndarray
    thickness_mm: float
    bow_mm: float = 0.0
    lean_deg: tuple[float, float] = (0.0, 0.0)
    seed: int = 3


def board(
    sides_mm: tuple[float, float],
    angles_deg: tuple[float, float, float],
    centre_mm: tuple[float, float] = (105.0, 148.5),
    turn_deg: float = 0.0,
    thickness_mm: float = 18.0,
    **more,
) -> Board:
    """A board by its edge 0, its end 3 and its corners 0, 1 and 3; at no turn edge 0 lies below and end 1 right."""
    return Board(laid(quadrilateral(sides_mm, angles_deg), centre_mm, turn_deg), thickness_mm, **more)


def cut_twice(error_deg, seat_deg, how, sides_mm, ends_deg=(90.0, 90.0), off_mm=3.0):
    """Sides and angles of a board after each of two cuts, from the left of the blade before a rear fence.

    It lay turned by `seat_deg` for the first. `ends_deg` are the corners that no cut made; the second takes `off_mm`.
    """
    uncut, far = ends_deg
    first = 90.0 + error_deg + seat_deg
    long, wide = sides_mm
    if how == "second edge":
        # the other edge is straight, and the first cut stays where it was
        return ((long, wide), (uncut, first, far)), ((long - off_mm, wide), (uncut, 90.0 + error_deg, far))
    # turned over, the first cut is the far end of the same edge
    return ((long, wide), (uncut, first, far)), ((long - off_mm, wide), (first, 90.0 + error_deg - seat_deg, far))


def cut_to_length(length_mm, wide_mm, cut_deg, far_deg=90.0):
    """Sides and angles of a piece that is so long half way up, its cut end at `cut_deg` to the edge at the fence."""
    angles = (90.0, cut_deg, far_deg)
    shape = quadrilateral((length_mm, wide_mm), angles)
    return (2 * length_mm - middle_length_mm(shape), wide_mm), angles


def middle_length_mm(corners_mm: np.ndarray) -> float:
    """Between the ends, half way up."""
    return float(np.linalg.norm(corners_mm[1] + corners_mm[2] - corners_mm[0] - corners_mm[3]) / 2)


def shown(shot: Shot, boards: list[Board]) -> Picture:
    """The picture of boards that lie apart, or of one that leans."""
    bare = photo(shot.base)
    if shot.tilt_deg is not None:
        bare = again(bare, tilted(bare.view, shot.tilt_deg))
    blocks = [_block(each, shot.wood) for each in boards]
    if not any(boards[0].lean_deg):
        return shoot(bare, blocks, shot.lamp, seed=shot.seed)
    leaning = shoot(replace(bare, view=leaning_view(bare.view, boards[0])), blocks, shot.lamp, seed=shot.seed)
    return replace(leaning, view=bare.view)


def ways(picture: Picture, corners_mm: np.ndarray, thickness_mm: float) -> tuple[str, ...]:
    """The side of the picture that each edge points to, as its user sees it."""
    exif = Image.Exif()
    exif.load(picture.exif)
    return edge_ways(sides_of(picture.view.to_image(corners_mm, thickness_mm)), exif.get(_ORIENTATION, 1))


def _block(what: Board, wood: str) -> Block:
    outline = sawn(what.corners_mm, what.seed, (what.bow_mm, 0.0, 0.0, 0.0))
    # a hollow edge's foot, taken as convex, would fill the hollow below the camera
    straight = what.bow_mm >= 0
    return Block(outline, what.thickness_mm, WOODS[wood], 0.0, GRAIN.get(wood, 0.05), rough=True, convex=straight)


def leaning_view(view: RigidView, what: Board) -> _Leaning:
    """The view in which the block of a board's outline has a top face that leans."""
    return _Leaning(view, what)


@dataclass(frozen=True)
class _Leaning:
    """A view in which what stands on the table rises by the lean of a board's top face, in share of its height."""

    view: RigidView
    board: Board

    @property
    def foot_mm(self) -> np.ndarray:
        return self.view.foot_mm

    def to_image(self, places_mm, height_mm=0.0):
        corners, tall = self.board.corners_mm, self.board.thickness_mm
        along = (corners[1] - corners[0]) / np.linalg.norm(corners[1] - corners[0])
        slope = np.tan(np.radians(self.board.lean_deg)) @ np.array([along, [-along[1], along[0]]])
        high = height_mm * (1 + (places_mm - corners.mean(axis=0)) @ slope / tall)
        return self.view.project(np.column_stack([places_mm, -high]))
