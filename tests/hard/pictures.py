"""The hard set: pictures that an eye has no trouble with, forty on a light field and some on a dark one."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import partial

import cv2
import numpy as np

from tests.flags.painted import Picture, photo, rectangle
from tests.hard.scene import (
    GREEN_PAINT,
    IRON,
    WOODS,
    YELLOW,
    Block,
    Lamp,
    Scene,
    bar,
    finger,
    piece,
    shoot,
)
from visioncheck.photo.light import linear_light

ANGLES = (90.15, 89.9, 90.05)
HARD = {"left": (-0.9, 0.1), "right": (0.9, -0.1), "up": (0.1, -0.9), "down": (-0.1, 0.9)}


def _side(corners, k, share):
    return corners[k] + share * (corners[(k + 1) % 4] - corners[k])


def _out(corners, k):
    run = corners[(k + 1) % 4] - corners[k]
    return np.array([-run[1], run[0]]) / np.linalg.norm(run)


def _along(corners, k):
    run = corners[(k + 1) % 4] - corners[k]
    return run / np.linalg.norm(run)


def pencil_at(corners, k, share, slant_deg=25.0, light=YELLOW, length=120.0) -> Block:
    """A pencil whose end or flank touches side k at a share of it, at a slant to it, reaching away."""
    turn = np.radians(slant_deg)
    along, out = _along(corners, k), _out(corners, k)
    way = np.cos(turn) * along + np.sin(turn) * out
    start = _side(corners, k, share) + 4.2 * out
    return bar(start, start + length * way, 7.5, 7.0, light)


def finger_over(corners, k, share, over=8.0) -> Block:
    out = _out(corners, k)
    at = _side(corners, k, share)
    return finger(at - over * out, at + 90 * out + 20 * _along(corners, k), lift_mm=8.0)


def clamp_over(corners, k, share, light=IRON, over=14.0) -> Block:
    out, at = _out(corners, k), _side(corners, k, share)
    return bar(at - over * out, at + 40 * out, 22.0, 10.0, light, lift_mm=18.0)


def block_against(corners, k, share, light) -> Block:
    """A low block without a tint whose end touches side k."""
    at, out = _side(corners, k, share), _out(corners, k)
    return bar(at + 0.3 * out, at + 40 * out, 25.0, 10.0, light)


_SOFT = Lamp()


def _nothing(_corners) -> list:
    return []


def paint(name, base, wood, thickness, more: Callable = _nothing, lamp=_SOFT, size=(110.0, 80.0), turn=12.0,
           centre=(105.0, 148.5), shades: Callable = _nothing, seed=0, **told) -> Scene:  # fmt: skip
    corners = rectangle(size, centre, turn, ANGLES)
    taken = photo(base) if isinstance(base, str) else base()
    blocks = [piece(corners, thickness, wood, seed), *more(corners)]
    return Scene(name, shoot(taken, blocks, lamp, shades(corners), seed), corners, thickness, **told)


def pencil_across(corners) -> Block:
    beyond = np.array([0, 30])
    return bar(_side(corners, 0, 0.2) + beyond, _side(corners, 2, 0.7) - beyond, 7.5, 7.0, YELLOW, 18.0)


def paper_sheet(_corners) -> list:
    outline = np.array([[150.0, 20], [150, 190], [300, 190], [300, 20]])
    return [Block(outline, 0.1, (0.68, 0.70, 0.70), 0.0, 0.003)]


def knot_and_mark(corners) -> list:
    knot = Block(_disc(_side(corners, 0, 0.6), 6.0), 0.05, (0.03, 0.06, 0.12), 18.0)
    return [knot, Block(_disc(_side(corners, 1, 0.4) - 3 * _out(corners, 1), 4.0), 0.05, IRON, 18.0)]


def hand_shadow(corners) -> list:
    """The shadow of a hand with the phone: a broad lobe over half of the piece."""
    middle = corners.mean(axis=0) + np.array([15, 30])
    turn = np.linspace(0, 2 * np.pi, 40)
    return [(middle + np.column_stack([55 * np.cos(turn), 80 * np.sin(turn)]), 0.4)]


def bench(base: str, light, grain=0.0) -> Picture:
    """The sheet on another table."""
    from dataclasses import replace

    picture = photo(base)
    from tests.flags.painted import coded

    page = np.array([[0.0, 0], [210, 0], [210, 297], [0, 297]])
    mask = np.zeros(picture.bgr.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(picture.view.to_image(page)).astype(np.int32)], 255)
    soft = cv2.GaussianBlur(mask, (0, 0), 1.0).astype(np.float32)[..., None] / 255
    random = np.random.default_rng(3)
    lines = cv2.GaussianBlur(random.normal(0, 1, mask.shape).astype(np.float32), (0, 0), 40, sigmaY=3)
    table = np.array(light, np.float32) * (1 + grain * lines / lines.std())[..., None]
    mixed = linear_light(picture.bgr) * soft + np.clip(table, 0, 1) * (1 - soft)
    return replace(picture, bgr=coded(mixed))


def dark_field(base: str) -> Picture:
    """The same sheet as if it had been printed with a dark field: black within the band, white marks."""
    from dataclasses import replace

    from tests.flags.painted import PHOTOS, coded
    from visioncheck.printed.layout import BAND, target_layout

    picture, layout = photo(base), target_layout("a4")
    told = json.loads((PHOTOS / f"{base}.truth.json").read_text())
    saddles = np.array(told["sheets"][0]["saddles_table_mm"])[:, :2]
    bands, marks = saddles[: len(layout.band_corners)], saddles[len(layout.band_corners) :]
    nominal = layout.saddles_mm[: len(bands)]
    affine = np.linalg.lstsq(np.column_stack([nominal, np.ones(len(nominal))]), bands, rcond=None)[0]
    low = np.array(layout.origin_mm) + BAND * layout.paper.square_mm
    high = np.array([layout.paper.width_mm, layout.paper.height_mm]) - low
    field = np.array([low, [high[0], low[1]], high, [low[0], high[1]]]) @ affine[:2] + affine[2]
    light = linear_light(picture.bgr).astype(np.float32)
    white = np.quantile(light.reshape(-1, 3), 0.9, axis=0)
    _fill(light, picture, [field], 0.035 * white)
    side = layout.mark_mm
    squares = [at + side * np.array(box) for at in marks for box in (_UP_LEFT, _DOWN_RIGHT)]
    _fill(light, picture, squares, white)
    return replace(picture, bgr=coded(light))


_UP_LEFT = ((-1, -1), (0, -1), (0, 0), (-1, 0))
_DOWN_RIGHT = ((0, 0), (1, 0), (1, 1), (0, 1))


def _fill(light: np.ndarray, picture: Picture, outlines: list[np.ndarray], colour: np.ndarray) -> None:
    from tests.flags.painted import _coverage

    for outline in outlines:
        share, window = _coverage(light.shape, picture.view.to_image(outline))
        noise = 1 + 0.02 * np.random.default_rng(2).normal(size=(*share.shape, 1)).astype(np.float32)
        light[window] += share[..., None] * (colour.astype(np.float32) * noise - light[window])


def scenes() -> dict[str, Callable[[], Scene]]:
    """Every scene by its name, painted when called."""
    return {made.args[0]: made for made in _scenes()}


def _scenes() -> Iterator[partial[Scene]]:
    a, b, c, d = "survey-5", "survey-4", "survey-3", "survey-6"
    yield partial(paint, "pencil-side-birch", a, "birch", 18.0, lambda q: [pencil_at(q, 0, 0.5)])
    yield partial(paint, "pencil-side-mdf", b, "mdf", 18.0, lambda q: [pencil_at(q, 1, 0.3, 10)], turn=-20)
    yield partial(paint, "pencil-flank-oak", c, "oak", 19.0, lambda q: [pencil_at(q, 2, 0.1, 0.0)], turn=33)
    yield partial(paint, "pencil-red-walnut", d, "walnut", 12.0, lambda q: [pencil_at(q, 3, 0.4, 60, WOODS["red"])])
    yield partial(paint, "pencil-wooden-birch", b, "birch", 18.0, lambda q: [pencil_at(q, 0, 0.6, 40, WOODS["birch"])])
    yield partial(paint, "pencil-corner-oak", a, "oak", 18.0, lambda q: [pencil_at(q, 1, 0.97, 30)], turn=5)
    yield partial(paint, "pencil-over-corner", c, "oak", 18.0,
                  lambda q: [bar(q[1] + [-30, 10], q[1] + [30, -30], 7.5, 7.0, YELLOW, 18.0)])  # fmt: skip
    yield partial(paint, "pencil-across-piece", d, "birch", 18.0,
                  lambda q: [pencil_across(q)])  # fmt: skip
    yield partial(paint, "two-pencils-mdf", a, "mdf", 18.0,
                  lambda q: [pencil_at(q, 0, 0.3, 80), pencil_at(q, 2, 0.5, 20, GREEN_PAINT)])  # fmt: skip
    yield partial(paint, "clamp-oak", b, "oak", 18.0, lambda q: [clamp_over(q, 0, 0.7)], turn=15)
    yield partial(paint, "clamp-walnut", a, "walnut", 18.0, lambda q: [clamp_over(q, 2, 0.4, WOODS["red"])])
    yield partial(paint, "clamp-corner-birch", c, "birch", 18.0, lambda q: [clamp_over(q, 1, 0.02, over=22.0)])
    yield partial(paint, "finger-birch", a, "birch", 18.0, lambda q: [finger_over(q, 3, 0.5)])
    yield partial(paint, "finger-oak", b, "oak", 18.0, lambda q: [finger_over(q, 1, 0.7)], turn=-8)
    yield partial(paint, "finger-mdf", c, "mdf", 18.0, lambda q: [finger_over(q, 0, 0.4, 14)])
    yield partial(
        paint, "two-fingers-walnut", d, "walnut", 18.0, lambda q: [finger_over(q, 0, 0.3), finger_over(q, 0, 0.6)]
    )
    yield partial(paint, "shadow-left-mdf", a, "mdf", 18.0, lamp=Lamp(HARD["left"], 0.3, 0.04))
    yield partial(paint, "shadow-right-mdf", b, "mdf", 18.0, lamp=Lamp(HARD["right"], 0.35, 0.04), turn=-30)
    yield partial(paint, "shadow-up-birch", c, "birch", 18.0, lamp=Lamp(HARD["up"], 0.3, 0.04))
    yield partial(paint, "shadow-down-oak", d, "oak", 18.0, lamp=Lamp(HARD["down"], 0.3, 0.04), turn=40)
    yield partial(paint, "shadow-right-walnut", a, "walnut", 25.0, lamp=Lamp(HARD["right"], 0.25, 0.04))
    yield partial(paint, "shadow-and-pencil-mdf", b, "mdf", 18.0, lambda q: [pencil_at(q, 3, 0.2, 30)],
                  lamp=Lamp(HARD["up"], 0.35, 0.04), turn=8)  # fmt: skip
    yield partial(paint, "hand-shadow-birch", a, "birch", 18.0, shades=hand_shadow)
    yield partial(paint, "hand-shadow-mdf", c, "mdf", 18.0, shades=hand_shadow, turn=-15)
    yield partial(
        paint, "hand-shadow-oak-pencil", b, "oak", 18.0, lambda q: [pencil_at(q, 2, 0.3, 45)], shades=hand_shadow
    )
    yield partial(paint, "painted-grey", a, "grey", 18.0)
    yield partial(paint, "painted-red", b, "red", 18.0, lambda q: [pencil_at(q, 0, 0.5)])
    yield partial(paint, "painted-blue", c, "blue", 18.0, lamp=Lamp(HARD["left"], 0.35, 0.05))
    yield partial(paint, "grey-hard-shadow", d, "grey", 18.0, lamp=Lamp(HARD["up"], 0.45, 0.05), turn=20)
    table = partial(bench, a, (0.02, 0.02, 0.02))
    yield partial(paint, "dark-table-finger", table, "birch", 18.0, lambda q: [finger_over(q, 2, 0.5)])
    table = partial(bench, b, WOODS["oak"], 0.1)
    yield partial(paint, "wooden-table-pencil", table, "oak", 18.0, lambda q: [pencil_at(q, 1, 0.4, 30)])
    table = partial(bench, c, WOODS["birch"], 0.08)
    yield partial(paint, "wooden-table-clamp", table, "birch", 18.0, lambda q: [clamp_over(q, 0, 0.5)])
    yield partial(paint, "second-sheet", a, "oak", 18.0, paper_sheet,
                  centre=(85.0, 150.0), size=(90.0, 70.0))  # fmt: skip
    yield partial(
        paint, "strip-pencil-birch", a, "birch", 19.0, lambda q: [pencil_at(q, 2, 0.2, 15)], size=(160.0, 18.0), turn=5
    )
    yield partial(
        paint, "strip-finger-end", b, "oak", 19.0, lambda q: [finger_over(q, 1, 0.5, 6)], size=(170.0, 25.0), turn=80
    )
    yield partial(paint, "half-size-pencil", a, "birch", 18.0, lambda q: [pencil_at(q, 1, 0.3)], half_size=True)
    yield partial(paint, "half-size-shadow", c, "mdf", 18.0, lamp=Lamp(HARD["left"], 0.35, 0.05), half_size=True)
    yield partial(paint, "portrait-pencil", b, "oak", 18.0, lambda q: [pencil_at(q, 0, 0.3)], orientation=6)
    yield partial(paint, "upside-down-clamp", d, "birch", 18.0, lambda q: [clamp_over(q, 3, 0.6)], orientation=3)
    yield partial(paint, "grey-clamp-red", a, "grey", 18.0, lambda q: [clamp_over(q, 0, 0.7, WOODS["red"])])
    yield partial(paint, "black-block-oak", a, "oak", 18.0, lambda q: [block_against(q, 0, 0.4, IRON)])
    for base, wood, name, more, lamp in (
        (a, "birch", "pencil", lambda q: [pencil_at(q, 0, 0.5)], _SOFT),
        (b, "oak", "pencil", lambda q: [pencil_at(q, 2, 0.3, 10, GREEN_PAINT)], _SOFT),
        (c, "mdf", "finger", lambda q: [finger_over(q, 1, 0.5)], _SOFT),
        (d, "white", "shadow", _nothing, Lamp(HARD["left"], 0.35, 0.05)),
        (a, "birch", "hand-shadow", _nothing, _SOFT),
        (b, "birch", "white-block", lambda q: [block_against(q, 3, 0.5, WOODS["white"])], _SOFT),
    ):
        shades = hand_shadow if name == "hand-shadow" else _nothing
        yield partial(paint, f"dark-field-{wood}-{name}", partial(dark_field, base), wood, 18.0, more, lamp,
                      shades=shades, dark_field=True)  # fmt: skip
    yield partial(paint, "knot-and-mark", c, "birch", 18.0, knot_and_mark)


def _disc(centre, radius):
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    return np.asarray(centre) + radius * np.column_stack([np.cos(turn), np.sin(turn)])


def drawn_by_lot(seed: int) -> Scene:
    """Paint a scene whose piece, lamp, table and clutter are drawn by lot."""
    lot = np.random.default_rng(seed)
    base = str(lot.choice(["survey-3", "survey-4", "survey-5", "survey-6"]))
    wood = str(
        lot.choice(["mdf", "birch", "oak", "walnut", "red", "blue", "grey"], p=[0.2, 0.2, 0.2, 0.2, 0.07, 0.06, 0.07])
    )
    size = (float(lot.uniform(70, 120)), float(lot.uniform(45, 90)))
    turn = float(lot.uniform(-90, 90))
    lamp = lamp_by_lot(lot)
    clutter = _clutter_by_lot(lot)
    shades = hand_shadow if lot.random() < 0.2 else _nothing
    if lot.random() < 0.3:
        base = partial(bench, base, tuple(lot.uniform(0.02, 0.5, 3)), float(lot.choice([0.0, 0.1])))
    centre = (105.0 + float(lot.uniform(-10, 10)), 148.5 + float(lot.uniform(-25, 25)))
    return paint(
        f"lot-{seed}", base, wood, float(lot.uniform(6, 25)), clutter, lamp, size, turn, centre, shades, seed,
        orientation=int(lot.choice([1, 3, 6, 8])),
    )  # fmt: skip


def lamp_by_lot(lot: np.random.Generator) -> Lamp:
    """A lamp from any side, high or low, near or far."""
    angle = float(lot.uniform(0, 2 * np.pi))
    reach = float(lot.choice([0.25, 0.5, 0.9]))
    away = (reach * np.cos(angle), reach * np.sin(angle))
    return Lamp(away, float(lot.uniform(0.25, 0.6)), float(lot.uniform(0.03, 0.15)))


def _clutter_by_lot(lot: np.random.Generator) -> Callable[[np.ndarray], list]:
    kinds = lot.choice(
        ["pencil", "clamp", "finger", "across", "none"], size=int(lot.integers(1, 3)), p=[0.4, 0.2, 0.2, 0.1, 0.1]
    )
    sides, shares, slants = lot.integers(0, 4, 2), lot.uniform(0.05, 0.95, 2), lot.uniform(0, 90, 2)
    colour = [YELLOW, WOODS["red"], GREEN_PAINT, WOODS["birch"], IRON][int(lot.integers(0, 5))]

    def lay(corners: np.ndarray) -> list:
        blocks = []
        for kind, k, share, slant in zip(kinds, sides, shares, slants, strict=False):
            if kind == "pencil":
                blocks.append(pencil_at(corners, int(k), float(share), float(slant), colour))
            elif kind == "clamp":
                blocks.append(clamp_over(corners, int(k), float(share), colour))
            elif kind == "finger":
                blocks.append(finger_over(corners, int(k), float(share), 6 + slant / 9))
            elif kind == "across":
                blocks.append(pencil_across(corners))
        return blocks

    return lay
