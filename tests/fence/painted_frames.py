"""Mitred frames painted on photos of the bare sheet, all joints tight but the last, whose wedge is the truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from graphlib import TopologicalSorter
from itertools import pairwise

import numpy as np

from tests.flags.painted import Picture, photo
from tests.hard.scene import Lamp, piece, shoot

_TIGHT_MM = 0.04
"""How far a joint stands open that is clamped tight; invented."""
_SIDE_LIGHT = 0.06
"""Of the wood's, in a joint; invented."""


@dataclass(frozen=True)
class LastJoint:
    """A frame of `sides`, its last joint open by `wedge_deg` at its `opens` end and `apart` at the other, in mm.

    The joint's outer corner lies at `outer`, and the middle of the frame from there at `turn_deg` in the picture (0
    right, 90 down). Of an `arm` of a length the two pieces at the joint lie on the sheet, else the whole ring, whose
    outer sides are `side` long.
    """

    sides: int = 4
    wedge_deg: float = 0.6
    opens: str = "outside"
    apart: float = 1.2
    width: float = 42.0
    arm: float | None = 110.0
    side: float = 130.0
    outer: tuple[float, float] = (60.0, 75.0)
    turn_deg: float = 50.0
    thickness: float = 18.0
    wood: str = "birch"
    seed: int = 3
    base: str = "survey-5"


def pieces(what: LastJoint) -> list[np.ndarray]:
    """Outlines of the pieces in order from the last joint round to it again, mm, table frame."""
    half = np.pi / 2 - np.pi / what.sides
    found = _arms(what, half) if what.arm is not None else _ring(what, half)
    inner = what.width / np.sin(half)
    pivot = np.array([inner if what.opens == "outside" else 0.0, 0.0])
    # about the end that stays closed each piece at the joint turns away from the other
    apart = np.radians(what.wedge_deg / 2) * (1.0 if what.opens == "outside" else -1.0)
    away = np.array([0.0, what.apart / 2])
    found[0] = _turned(found[0], -apart, pivot) + away
    found[-1] = _turned(found[-1], apart, pivot) - away
    return [_turned(each, np.radians(what.turn_deg), np.zeros(2)) + what.outer for each in found]


def _turned(places: np.ndarray, angle: float, about: np.ndarray) -> np.ndarray:
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return (places - about) @ turn.T + about


def _arms(what: LastJoint, half: float) -> list[np.ndarray]:
    """The two pieces at the joint, which runs from (0, 0) along x, sawn off square."""
    inner, along = np.array([what.width / np.sin(half), 0.0]), np.array([np.cos(half), np.sin(half)])
    back = what.width / np.tan(half)
    return [
        np.array([[0, 0], along * flip * what.arm, inner + along * flip * (what.arm - back), inner])
        for flip in ([1.0, 1.0], [1.0, -1.0])
    ]


def _ring(what: LastJoint, half: float) -> list[np.ndarray]:
    """All pieces; joint k lies at 2 k pi / n about the middle."""
    middle = np.array([what.side / 2 / np.cos(half), 0.0])
    joint = np.array([[0.0, 0.0], [what.width / np.sin(half), 0.0]])
    joints = [_turned(joint, 2 * np.pi * k / what.sides, middle) for k in range(what.sides)]
    found = [np.array([a[0], b[0], b[1], a[1]]) for a, b in pairwise([*joints, joints[0]])][::-1]
    # tight, and yet to be seen: each is a little shorter than it should be
    return [each + (_TIGHT_MM / 2) * _inwards(each) for each in found]


def _inwards(outline: np.ndarray) -> np.ndarray:
    """Ways for the four corners of a piece, so that its mitred ends move in."""
    along = (outline[1] - outline[0]) / np.linalg.norm(outline[1] - outline[0])
    return np.array([along, -along, -along, along])


def shown(what: LastJoint) -> Picture:
    """The picture of it: a piece that hides another's side face is laid after it."""
    picture, outlines = photo(what.base), pieces(what)
    foot = picture.view.foot_mm
    before: dict[int, set[int]] = {k: set() for k in range(len(outlines))}
    # two arms have one joint alone
    for k, outline in enumerate(outlines if what.arm is None else outlines[:1]):
        other = (k + 1) % len(outlines)
        start, end = outline[[0, 3]]  # their joint
        normal = np.array([start[1] - end[1], end[0] - start[0]])
        mine = (outline.mean(axis=0) - start) @ normal > 0
        nearer, farther = (k, other) if ((foot - start) @ normal > 0) == mine else (other, k)
        before[nearer].add(farther)
    order = TopologicalSorter(before).static_order()
    lying = [piece(outlines[k], what.thickness, what.wood, what.seed + k) for k in order]
    return shoot(picture, [replace(each, side_light=_SIDE_LIGHT) for each in lying], Lamp(), seed=what.seed)
