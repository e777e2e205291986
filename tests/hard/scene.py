"""Hard pictures: blocks of any outline laid on a photographed bare sheet under a lamp, through the photo's true camera.

A block is a piece of work, a pencil, a jaw of a clamp, a finger. It hides what lies under it, shows its side faces and
throws a shadow on the sheet and on what is lower. Truth is the piece's own outline.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from tests.flags.painted import Picture, _coverage, coded, sawn
from visioncheck.photo.light import linear_light

WOODS = {
    "mdf": (0.17, 0.26, 0.34),
    "birch": (0.25, 0.41, 0.55),
    "oak": (0.10, 0.22, 0.36),
    "walnut": (0.030, 0.055, 0.090),
    "red": (0.04, 0.05, 0.33),
    "blue": (0.30, 0.14, 0.06),
    "grey": (0.20, 0.20, 0.20),
    "white": (0.60, 0.62, 0.63),
}
"""Linear light, BGR, on a white of about 0.7; invented."""
_FRINGE_PX = 12.0
YELLOW, SKIN, IRON, GREEN_PAINT = (0.02, 0.33, 0.60), (0.20, 0.28, 0.52), (0.03, 0.03, 0.03), (0.05, 0.25, 0.08)
GRAIN = {"mdf": 0.01, "red": 0.005, "blue": 0.005, "grey": 0.005, "white": 0.005}


@dataclass(frozen=True)
class Block:
    """A prism: its outline (n, 2) mm seen from above, its height and how far it is lifted off the table.

    Of one that is not `convex` the side faces are painted only where its foot reaches beyond its top. `side_light` is
    the share of its light that they have, where another block stands so near that no lamp reaches them.
    """

    outline_mm: np.ndarray
    height_mm: float
    light: tuple[float, float, float]
    lift_mm: float = 0.0
    grain: float = 0.03
    rough: bool = False
    convex: bool = True
    side_light: float | None = None

    @property
    def top_mm(self) -> float:
        return self.lift_mm + self.height_mm


@dataclass(frozen=True)
class Lamp:
    """How far shadows reach, mm for each mm of height; what light is left in them; how soft their borders are."""

    away: tuple[float, float] = (0.2, 0.15)
    left: float = 0.45
    soft: float = 0.12


@dataclass(frozen=True)
class Scene:
    """A picture with its truth: corners (4, 2) mm of the piece as listed in outlines, and its thickness."""

    name: str
    picture: Picture
    corners_mm: np.ndarray
    thickness_mm: float
    orientation: int = 1
    half_size: bool = False
    dark_field: bool = False
    notes: dict = field(default_factory=dict)


def bar(start_mm, end_mm, width_mm, height_mm, light, lift_mm=0.0) -> Block:
    """A straight stick from one place to another."""
    start, end = np.array(start_mm, float), np.array(end_mm, float)
    along = (end - start) / np.linalg.norm(end - start)
    side = np.array([-along[1], along[0]]) * width_mm / 2
    return Block(np.array([start - side, start + side, end + side, end - side])[::-1], height_mm, light, lift_mm, 0.01)


def finger(tip_mm, root_mm, width_mm=16.0, height_mm=14.0, lift_mm=0.0) -> Block:
    """A finger with a round tip."""
    tip, root = np.array(tip_mm, float), np.array(root_mm, float)
    along = (tip - root) / np.linalg.norm(tip - root)
    side = np.array([-along[1], along[0]])
    turn = np.linspace(-np.pi / 2, np.pi / 2, 13)
    round_tip = (
        tip - along * width_mm / 2 + width_mm / 2 * (np.cos(turn)[:, None] * along + np.sin(turn)[:, None] * side)
    )
    outline = np.concatenate([round_tip, [root + side * width_mm / 2, root - side * width_mm / 2]])
    return Block(outline[::-1], height_mm, SKIN, lift_mm, 0.02)


def piece(corners_mm, thickness_mm, wood, seed=0) -> Block:
    """A sawn piece of work."""
    return Block(sawn(corners_mm, seed), thickness_mm, WOODS[wood], 0.0, GRAIN.get(wood, 0.05), rough=True)


def shoot(
    picture: Picture, blocks: list[Block], lamp: Lamp, shades: list[tuple[np.ndarray, float]] = (), seed=0
) -> Picture:
    """Lay blocks on the sheet of a picture; `shades` are outlines of shadows (mm, on the sheet) from far away, and
    how high what they fall on makes them shift is left out."""
    random = np.random.default_rng(seed)
    light = linear_light(picture.bgr).astype(np.float32)
    view = picture.view
    _darken(light, view, [_shadow(block, lamp, 0.0) for block in blocks], lamp, 0.0, [b.top_mm for b in blocks])
    for outline, left in shades:
        _darken(light, view, [outline], replace(lamp, left=left, soft=0.1), 0.0, [60.0])
    for k, block in sorted(enumerate(blocks), key=lambda pair: pair[1].top_mm):
        high = [b for j, b in enumerate(blocks) if j != k and b.top_mm > block.top_mm + 0.5]
        _put(light, view, block, lamp, high, shades, random)
    return replace(picture, bgr=coded(light))


def _shadow(block: Block, lamp: Lamp, plane_mm: float):
    away = np.array(lamp.away)
    low, high = max(block.lift_mm - plane_mm, 0.0), block.top_mm - plane_mm
    return _hull(np.concatenate([block.outline_mm + away * low, block.outline_mm + away * high]))


def _hull(points):
    return cv2.convexHull(points.astype(np.float32))[:, 0].astype(float)


def _darken(light, view, outlines, lamp, plane_mm, heights):
    for outline, height in zip(outlines, heights, strict=True):
        share, window = _coverage(light.shape, view.to_image(outline, plane_mm))
        px = 9.0 * max(lamp.soft * (height - plane_mm), 0.05)
        pad = int(3 * px) + 1
        grown = _grow(window, pad, light.shape)
        full = np.zeros((grown[0].stop - grown[0].start, grown[1].stop - grown[1].start), np.float32)
        at = window[0].start - grown[0].start, window[1].start - grown[1].start
        full[at[0] : at[0] + share.shape[0], at[1] : at[1] + share.shape[1]] = share
        soft = cv2.GaussianBlur(full, (0, 0), px)
        light[grown] *= (1 - (1 - lamp.left) * soft)[..., None]


def _grow(window, pad, shape):
    return tuple(slice(max(w.start - pad, 0), min(w.stop + pad, size)) for w, size in zip(window, shape, strict=False))


def _put(light, view, block, lamp, high, shades, random):
    """The block over what is painted already; its top edges away from the camera have no side face beside them."""
    low_px, top_px = (view.to_image(block.outline_mm, z) for z in (block.lift_mm, block.top_mm))
    colour = np.array(block.light, np.float32)
    whole, window = _below(light.shape, low_px, top_px, convex=block.convex)
    sides = _sides(view, block, lamp, window, whole.shape) * _grain(whole.shape, random, block.grain)[..., None]
    top, inner = _coverage(light.shape, top_px)
    at = inner[0].start - window[0].start, inner[1].start - window[1].start
    share = np.zeros_like(whole)
    share[at[0] : at[0] + top.shape[0], at[1] : at[1] + top.shape[1]] = top
    face = colour * _grain(whole.shape, random, block.grain)[..., None]
    canvas = np.ones((*light.shape[:2], 1), np.float32)
    _darken(canvas, view, [_shadow(b, lamp, block.top_mm) for b in high], lamp, block.top_mm, [b.top_mm for b in high])
    for outline, left in shades:
        _darken(canvas, view, [outline], replace(lamp, left=left, soft=0.1), block.top_mm, [60.0])
    shade = canvas[window]
    whole = np.maximum(whole, share)
    light[window] = (
        light[window] * (1 - whole)[..., None]
        + sides * shade * (whole - share)[..., None]
        + face * shade * share[..., None]
    )


def _below(shape, low_px, top_px, *, convex=True):
    """What of each pixel the block's foot covers, in a window that holds its top face too.

    The foot reaches beyond the top face where a side face shows; elsewhere it hides below it.
    """
    share, inner = _coverage(shape, _hull(low_px) if convex else low_px)
    _, window = _coverage(shape, _hull(np.concatenate([low_px, top_px])))
    whole = np.zeros((window[0].stop - window[0].start, window[1].stop - window[1].start), np.float32)
    at = inner[0].start - window[0].start, inner[1].start - window[1].start
    whole[at[0] : at[0] + share.shape[0], at[1] : at[1] + share.shape[1]] = share
    return whole, window


def _sides(view, block, lamp, window, shape):
    """Light of the side faces that the camera sees, the darker the more they look away from the lamp."""
    colour = np.array(block.light, np.float32)
    toward = -np.array(lamp.away) / max(np.linalg.norm(lamp.away), 1e-9)
    seen = np.ones((*shape, 3), np.float32) * colour * 0.25
    corners = block.outline_mm if len(block.outline_mm) < 40 else _hull(_simple(block.outline_mm))
    low, top = (view.to_image(corners, z) - [window[1].start, window[0].start] for z in (block.lift_mm, block.top_mm))
    for i in range(len(corners)):
        j = (i + 1) % len(corners)
        run = corners[j] - corners[i]
        out = np.array([-run[1], run[0]]) / max(np.linalg.norm(run), 1e-9)
        out = out if out @ (corners[i] - corners.mean(axis=0)) > 0 else -out
        if out @ (view.foot_mm - corners[i]) > 0:
            # on below the top face and out beyond the foot, so that the rough arris has one face along it
            on = (top[[i, j]] - low[[i, j]]) / np.linalg.norm(top[[i, j]] - low[[i, j]], axis=1, keepdims=True)
            face = np.concatenate([low[[i, j]] - _FRINGE_PX * on, (top[[i, j]] + _FRINGE_PX * on)[::-1]])
            face = np.round(face * 16).astype(np.int32)
            lit = 0.25 + 0.5 * max(float(out @ toward), 0.0) if block.side_light is None else block.side_light
            cv2.fillPoly(seen, [face], (colour * lit).tolist(), shift=4)
    return cv2.GaussianBlur(seen, (0, 0), 0.9)


def _simple(outline):
    return cv2.approxPolyDP(outline.astype(np.float32)[:, None], 1.0, True)[:, 0].astype(float)


def _grain(shape, random, size):
    fine = 1 + 0.012 * random.normal(size=shape)
    lines = cv2.GaussianBlur(random.normal(0, 1, shape).astype(np.float32), (0, 0), 30, sigmaY=2.5)
    return (fine + size * lines / max(lines.std(), 1e-6)).astype(np.float32)
