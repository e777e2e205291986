"""Paint a board with a saw slot, or two butted halves, into a photo of the bare sheet, with exact truth.

Ray by ray: the top face, the side faces, the shaded table (its print too) or a floor of wood seen in the slot; then
blur, sharpening, tone and noise as a phone adds them. The board, its grain and the roughness of its walls are made up.
With a `lamp` the shading is reckoned: the lamp's light less the shadows that the board casts, the sky's as far as the
slot's walls leave it free, and on a wall what its slant to both lets it have.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.interpolate import RectBivariateSpline
from scipy.ndimage import gaussian_filter1d

from visioncheck.edges.tone import calibrate_tone
from visioncheck.measuring.slot import Scene
from visioncheck.photo.light import linear_light
from visioncheck.points.find import find_points

_SUB = 3
_GRAIN_MM = 1.6
_PENUMBRA = 0.25
"""Half breadth of a shadow's edge, px for each mm of height: a lamp of 10 cm at 1.5 m, 10 px to a mm, has 0.33."""


@dataclass(frozen=True)
class Painting:
    """What to paint; lengths in mm, table frame; the slot enters at the board's left end (before `turn_deg`).

    Without a `depth` it goes right through, and the table shows in it where the light gets there. `lamp` is how far the
    lamp lies aside, mm for each mm of height, along the board and across it; it gives all light but the `sky`'s share.
    `more_slots` are further ones, without a lamp: how far each lies beside the first, and how much wider it is.
    """

    centre: tuple[float, float] = (105.0, 150.0)
    turn_deg: float = 20.0
    length: float = 70.0
    breadth: float = 50.0
    thickness: float = 18.0
    depth: float | None = None
    slot_length: float = 55.0
    slot_offset: float = 3.0
    width_start: float = 3.0
    width_end: float = 3.0
    more_slots: tuple[tuple[float, float], ...] = ()
    rough: float = 0.02
    wood: tuple[float, float, float] = (0.16, 0.29, 0.42)
    dark: tuple[float, float, float] = (0.004, 0.009, 0.016)
    shade: float = 0.35
    lamp: tuple[float, float] | None = None
    sky: float = 0.4
    blur_px: float = 0.75
    sharpening: float = 0.45
    exponent: float = 1.0
    noise: float = 0.004
    seed: int = 1

    @property
    def through(self) -> bool:
        """Whether the cut goes through: two halves and the gap between them."""
        return self.slot_length >= self.length


def paint(bgr, view, what: Painting):
    """The photo (bgr, uint8) with the board painted in."""
    rng = np.random.default_rng(what.seed)
    turn = np.radians(what.turn_deg)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    half = np.array([what.length, what.breadth]) / 2
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half @ axes + what.centre
    seen = np.concatenate([view.to_image(corners, what.thickness), view.to_image(corners)])
    low = np.floor(seen.min(axis=0)).astype(int) - 24
    high = np.ceil(seen.max(axis=0)).astype(int) + 24
    low, high = np.maximum(low, 0), np.minimum(high, np.array(bgr.shape[1::-1]))
    width, height = high - low
    # sub-pixel rays
    x = low[0] + (np.arange(width * _SUB) + 0.5) / _SUB - 0.5
    y = low[1] + (np.arange(height * _SUB) + 0.5) / _SUB - 0.5
    top, paper = (_places(view, x, y, thickness) for thickness in (what.thickness, 0.0))
    top, paper = (((place - what.centre) @ axes.T).astype(np.float32) for place in (top, paper))
    walls = _walls(what, half, rng)
    on_top = _on_board(top, half)
    in_slot = on_top & _in_slot(top, what, half, walls)
    bottom = paper
    if what.depth is not None:
        bottom = ((_places(view, x, y, what.thickness - what.depth) - what.centre) @ axes.T).astype(np.float32)
    floor = in_slot & _in_slot(bottom, what, half, walls)
    side = ~on_top & _on_board(paper, half)
    if what.depth is None:
        side &= ~_in_slot(paper, what, half, walls)
    photo = linear_light(bgr[low[1] : high[1], low[0] : high[0]]) ** what.exponent
    table = np.repeat(np.repeat(photo, _SUB, axis=0), _SUB, axis=1)
    light = table.copy()
    wood = _grain(top, rng)[..., None] * np.array(what.wood, np.float32)
    light[on_top] = wood[on_top]
    light[in_slot] = np.array(what.dark, np.float32)
    planed = wood if what.depth is None else _grain(bottom, rng)[..., None] * np.array(what.wood, np.float32)
    light[floor] = (table if what.depth is None else planed)[floor] * what.shade
    light[side] = np.array(what.dark, np.float32) * 4
    if what.lamp is not None:
        _lit(light, table, (wood, planed), what, half, walls, paper, bottom, (on_top, in_slot, floor, side))
    size = (int(width), int(height))
    painted = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    touched = cv2.resize((on_top | side).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    sharp = cv2.GaussianBlur(painted, (0, 0), what.blur_px)
    sharp = sharp + what.sharpening * (sharp - cv2.GaussianBlur(sharp, (0, 0), 1.5))
    sharp += rng.normal(0, what.noise, sharp.shape).astype(np.float32) * np.sqrt(np.maximum(sharp, 0.01) / 0.3)
    # the photo's own pixels are blurred and coded already: only what the board touches is taken
    near = cv2.dilate((touched > 0).astype(np.uint8), np.ones((9, 9), np.uint8))[..., None] > 0
    mixed = np.where(near, sharp, photo)
    coded = bgr.copy()
    coded[low[1] : high[1], low[0] : high[0]] = _coded(np.clip(mixed, 0, 1) ** (1 / what.exponent))
    return coded


def _lit(light, table, woods, what, half, walls, paper, bottom, masks):
    """Shade what lies below the top face by lamp and sky."""
    on_top, in_slot, floor, side = masks
    wood, planed = woods
    deep = what.thickness if what.depth is None else what.depth
    # the table beside the board, and the floor
    for where, place, rise in ((~on_top & ~side, paper, what.thickness), (floor, bottom, deep)):
        shadow = np.zeros(where.shape, np.float32)
        for share in (0.25, 0.5, 0.75, 1.0):
            above = place + np.array(what.lamp, np.float32) * rise * share
            shadow = np.maximum(shadow, _on_board(above, half) & ~_in_slot(above, what, half, walls))
        # a lamp is no point: the penumbra grows with the height
        shadow = cv2.GaussianBlur(shadow, (0, 0), max(_PENUMBRA * rise, 0.3) * _SUB)[..., None]
        free = _free_sky(place, what, deep)[..., None] if where is floor else 1.0
        shade = (1 - what.sky) * (1 - shadow) + what.sky * free
        ground = table if where is not floor or what.depth is None else planed
        light[where] = (ground * shade)[where]
    # side faces: of the walls in the slot, its end and the board's own
    inside = in_slot & ~floor
    y = bottom[..., 1]
    across = np.where(y > what.slot_offset, -what.lamp[1], what.lamp[1])
    at_end = (
        inside & (bottom[..., 0] > -half[0] + what.slot_length) & (np.abs(y - what.slot_offset) < what.width_start / 2)
    )
    facing = np.where(at_end, -what.lamp[0], across)
    shade = (1 - what.sky) * np.maximum(facing, 0) + 0.3 * what.sky
    light[inside] = (wood * np.minimum(shade, 1)[..., None])[inside]
    light[side] = wood[side] * 0.3 * what.sky


def _free_sky(place, what, deep):
    """Share of the sky's light that falls between two long walls (view factor of a trench's floor)."""
    below, above = (place[..., 1] - what.slot_offset + sign * what.width_start / 2 for sign in (1, -1))
    return (below / np.hypot(below, deep) - above / np.hypot(above, deep)) / 2


def true_width(what: Painting, at_mm: float) -> float:
    """Width of the slot `at_mm` from the board's end where it comes in."""
    return what.width_start + (what.width_end - what.width_start) * at_mm / min(what.slot_length, what.length)


def as_jpeg(bgr, quality: int = 95):
    """Through a JPEG and back."""
    return cv2.imdecode(cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_COLOR)


def _coded(light):
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    return np.clip(np.round(255 * value), 0, 255).astype(np.uint8)


def _places(view, x, y, thickness):
    step = 24
    grid_x, grid_y = x[::step], y[::step]
    grid_x, grid_y = np.append(grid_x, x[-1] + 1), np.append(grid_y, y[-1] + 1)
    pixels = np.stack(np.meshgrid(grid_x, grid_y), axis=-1).reshape(-1, 2)
    coarse = view.to_table(pixels, thickness).reshape(len(grid_y), len(grid_x), 2)
    return np.stack([RectBivariateSpline(grid_y, grid_x, coarse[..., k], kx=3, ky=3)(y, x) for k in range(2)], axis=-1)


def _walls(what, half, rng):
    """Offsets of both walls on a fine grid along the board: straight lines with the roughness of sawn wood."""
    along = np.arange(-half[0] - 5, half[0] + 5, 0.05)
    share = (along + half[0]) / min(what.slot_length, what.length)
    width = what.width_start + (what.width_end - what.width_start) * share
    rough = [gaussian_filter1d(rng.normal(size=len(along)), 12) for _ in range(2)]
    rough = [what.rough * (r - np.polyval(np.polyfit(along, r, 1), along)) / r.std() for r in rough]
    return along, what.slot_offset - width / 2 + rough[0], what.slot_offset + width / 2 + rough[1]


def _on_board(place, half):
    return (np.abs(place[..., 0]) < half[0]) & (np.abs(place[..., 1]) < half[1])


def _in_slot(place, what, half, walls):
    along, low, high = walls
    x, y = place[..., 0], place[..., 1]
    reach = 1e9 if what.through else -half[0] + what.slot_length
    inside = np.zeros(x.shape, bool)
    for beside, wider in ((0.0, 0.0), *what.more_slots):
        off = y - beside
        inside |= (off > np.interp(x, along, low) - wider / 2) & (off < np.interp(x, along, high) + wider / 2)
    return inside & (x < reach)


def _grain(place, rng):
    """Stripes of darker wood at a slant."""
    across = place[..., 0] * 0.85 + place[..., 1] * 0.5
    line = gaussian_filter1d(rng.normal(size=4000), _GRAIN_MM / 0.1)
    line = 1 + 0.12 * line / line.std()
    return np.interp(across, (np.arange(4000) - 2000) * 0.1, line).astype(np.float32)


def painted(bare: Scene, what: Painting) -> Scene:
    """Paint the work on a bare sheet's photo, in its own tone; the points are found anew, since the work hides some."""
    exponent = calibrate_tone(bare.photo.bgr, bare.points).exponent
    photo = replace(bare.photo, bgr=as_jpeg(paint(bare.photo.bgr, bare.view, replace(what, exponent=exponent))))
    return replace(bare, photo=photo, points=find_points(photo))
