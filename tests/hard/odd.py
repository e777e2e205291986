"""Work that is not four-sided, painted: offcuts with a curved or broken side, triangles, five sides, a round corner."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.flags.painted import photo
from tests.hard.pictures import pencil_at
from tests.hard.scene import GRAIN, WOODS, Block, Lamp, Scene, shoot
from tests.hard.score import errors_of, read
from visioncheck.camera.rig_file import load_rig

_STEP_MM = 0.05
_ROUGH_MM = 0.015


@dataclass(frozen=True)
class Odd:
    """A piece with its truth.

    `corners` are listed as outlines are; `bulge` gives sides that are no straight line, by how far they bulge (an arc),
    and `broken` those that are broken off, how deep; `round_mm` rounds a corner.
    """

    corners: np.ndarray
    bulge: Mapping[int, float]
    broken: Mapping[int, float]
    round_mm: Mapping[int, float]

    @property
    def outline(self) -> np.ndarray:
        """Its border as sawn, mm, densely."""
        random = np.random.default_rng(4)
        n = len(self.corners)
        parts = []
        for k in range(n):
            start, end = self.corners[k], self.corners[(k + 1) % n]
            length = float(np.linalg.norm(end - start))
            along = (end - start) / length
            out = np.array([-along[1], along[0]])
            low, high = self.round_mm.get(k, 0.0), length - self.round_mm.get((k + 1) % n, 0.0)
            at = np.arange(low, high, _STEP_MM)
            off = _ROUGH_MM * _smooth(random, len(at), 14)
            off = off + self.bulge.get(k, 0.0) * 4 * at * (length - at) / length**2
            if k in self.broken:
                off = off - self.broken[k] * np.abs(_smooth(random, len(at), 40)) * np.minimum(at, length - at) / length
            parts.append(start + at[:, None] * along + off[:, None] * out)
            if (k + 1) % n in self.round_mm:
                parts.append(self._rounded((k + 1) % n))
        return np.concatenate(parts)

    def _rounded(self, corner: int) -> np.ndarray:
        """A corner's round, as a parabola between its two tangents."""
        n, reach = len(self.corners), self.round_mm[corner]
        at, before, after = (self.corners[k % n] for k in (corner, corner - 1, corner + 1))
        a = at + reach * (before - at) / np.linalg.norm(before - at)
        b = at + reach * (after - at) / np.linalg.norm(after - at)
        t = np.linspace(0, 1, 60)[1:-1, None]
        return (1 - t) ** 2 * a + 2 * t * (1 - t) * at + t**2 * b


def _smooth(random: np.random.Generator, count: int, width: int) -> np.ndarray:
    kernel = np.exp(-((np.arange(-3 * width, 3 * width + 1) / width) ** 2) / 2)
    rough = np.convolve(random.normal(0, 1, count + len(kernel) - 1), kernel, "valid")
    return rough / rough.std()


def laid_on_sheet(corners, turn_deg: float, centre=(105.0, 148.5)) -> np.ndarray:
    """Turned, with the middle of its extent at a place, and listed as outlines are."""
    corners = np.asarray(corners, float)
    corners = corners - (corners.max(axis=0) + corners.min(axis=0)) / 2
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    x, y = (corners @ np.array([[c, s], [-s, c]])).T
    placed = np.column_stack([x, y]) + centre
    return placed[::-1] if np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) > 0 else placed


def _odd(corners, turn_deg, bulge=(), broken=(), round_mm=()) -> Odd:
    return Odd(laid_on_sheet(corners, turn_deg), dict(bulge), dict(broken), dict(round_mm))


def from_angle(base: float, side: float, angle_deg: float) -> np.ndarray:
    """Where a side of this length ends that meets a base at an angle."""
    turn = np.radians(angle_deg)
    return np.array([base, 0.0]) + side * np.array([-np.cos(turn), -np.sin(turn)])


# each lies with a corner of 90.12 degrees between its first two sides
_MEETS = from_angle(110.0, 75.0, 90.12)
ODD: dict[str, Callable[[], Odd]] = {
    "triangle": lambda: _odd([(0, 0), (110, 0), from_angle(110.0, 105.0, 90.12)], 14),
    "acute triangle": lambda: _odd([(0, 0), (120, 0), from_angle(120.0, 110.0, 45.1)], -35),
    "five sides": lambda: _odd([(0, 0), (110, 0), _MEETS, (60, -112), (2, -70)], 22),
    "curved far side": lambda: _odd([(0, 0), (110, 0), _MEETS, (8, -70)], -12, bulge={3: 14.0}),
    "hollow far side": lambda: _odd([(0, 0), (110, 0), _MEETS, (8, -70)], 95, bulge={3: -12.0}),
    "broken far side": lambda: _odd([(0, 0), (110, 0), _MEETS, (2, -70)], 40, broken={2: 14.0, 3: 14.0}),
    "quarter disc": lambda: _odd([(0, 0), (100, 0), from_angle(100.0, 95.0, 90.12)], -60, bulge={2: 26.0}),
    "round corner": lambda: _odd([(0, 0), (110, 0), _MEETS, (1, -76)], 8, round_mm={0: 22.0}),
    "cut corner": lambda: _odd([(0, 0), (110, 0), _MEETS, (38, -76), (1, -44)], -5),
}


def odd_scene(name: str, wood: str = "oak", base: str = "survey-5", *, pencil: bool = False, seed: int = 0) -> Scene:
    """One of them photographed."""
    odd = ODD[name]()
    hollow = bool(odd.broken) or any(each < 0 for each in odd.bulge.values())
    block = Block(odd.outline, 18.0, WOODS[wood], 0.0, GRAIN.get(wood, 0.05), rough=True, convex=not hollow)
    more = [pencil_at(odd.corners, 0, 0.4)] if pencil else []
    return Scene(name.replace(" ", "-"), shoot(photo(base), [block, *more], Lamp(), seed=seed), odd.corners, 18.0)


def main(rig_file: str) -> None:
    """Say how far each corner that was read is from the truth, in its ±."""
    rig = load_rig(Path(rig_file))
    with tempfile.TemporaryDirectory() as folder:
        for name in ODD:
            scene = odd_scene(name)
            reading = read(scene, rig, Path(folder))
            shares = [abs(error) / stated for error, stated in errors_of(reading, scene)]
            print(f"{name:18} {len(shares)} corners, the worst {max(shares):.2f} of its ±", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
