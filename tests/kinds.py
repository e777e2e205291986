"""How often is a piece called a kind that it is not, or asked about? `python -m tests.kinds [--rigs N] [--each N]`.

Offcuts of square stock and panels cut all round, of fence errors from 0 to 0.1°, simulated from target points and edge
stations (see `tests.simulation.bench`), with a rig and without.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.shapes import laid, quadrilateral
from tests.simulation.bench import MIDDLE_MM, Workpiece, _cut, shoot_piece, workshop
from tests.simulation.hand import Setting
from visioncheck.errors import Refusal
from visioncheck.fence.kind import KindWeights, weigh_kinds
from visioncheck.reading.piece import angle_covariance_deg2, read_corners

ERRORS_DEG = (0.0, 0.005, 0.01, 0.015, 0.02, 0.025, 0.03, 0.04, 0.05, 0.07, 0.1)
OTHER = {"corner": "panel", "panel": "corner"}


@dataclass(frozen=True)
class Choice:
    """What became of one photo of a piece of a kind, cut with a fence out by this much."""

    kind: str
    error_deg: float
    with_rig: bool
    weights: KindWeights

    @property
    def wrong(self) -> bool:
        """Taken for another kind without a question."""
        return len(self.weights.open) == 1 and self.weights.open != (self.kind,)

    @property
    def asks(self) -> bool:
        return len(self.weights.open) > 1


def piece_of(kind: str, error_deg: float, rng: np.random.Generator) -> Workpiece:
    """Lying anywhere; edge 0 was at the fence (or cut first), edge 3 is the last cut."""
    e = error_deg * rng.choice([-1, 1])
    if kind == "panel":
        angles, sides = np.array([90 - 3 * e, 90 + e, 90 + e]), rng.uniform(90, 125, 2)
    else:
        angles, sides = np.array([90 + e, 90, 90 - e]), np.array([rng.uniform(80, 120), rng.uniform(80, 150)])
    corners = laid(quadrilateral(sides, angles), MIDDLE_MM + rng.uniform(-12, 12, 2), rng.uniform(0, 360))
    return Workpiece(kind, corners, rng.uniform(12, 25), tuple(_cut(rng) for _ in range(4)), e)


def simulate(rigs: int, each: int, errors_deg: Sequence[float] = ERRORS_DEG, seed: int = 2027) -> list[Choice]:
    """Take `each` photos of either kind and every error with each of `rigs` users' phones and prints."""
    choices = []
    for number in range(rigs):
        shop = workshop(seed + number, Setting())
        rng = np.random.default_rng([seed, number])
        for kind, error_deg in [(kind, error) for kind in OTHER for error in errors_deg] * each:
            piece = piece_of(kind, error_deg, rng)
            for rig in (shop.rig, None) if shop.rig else (None,):
                try:
                    shape = shoot_piece(piece, shop, rig, rng)
                except Refusal:
                    continue
                angles = [corner.angle.value for corner in read_corners(shape)]
                weights = weigh_kinds(angles, angle_covariance_deg2(shape), shape.lengths_mm, 0)
                choices.append(Choice(kind, error_deg, rig is not None, weights))
    return choices


def share(choices: Sequence[Choice], which: str) -> float:
    """In percent."""
    tests = {
        "wrong": lambda c: c.wrong,
        "asks": lambda c: c.asks,
        "right refused": lambda c: not c.weights.fits(c.kind),
        "right doubted": lambda c: bool(c.weights.rivals(c.kind)),
        "wrong refused": lambda c: not c.weights.fits(OTHER[c.kind]),
        "wrong doubted": lambda c: c.weights.fits(OTHER[c.kind]) and bool(c.weights.rivals(OTHER[c.kind])),
    }
    return 100 * float(np.mean([tests[which](choice) for choice in choices]))


COLUMNS = ("wrong", "asks", "right refused", "right doubted", "wrong refused", "wrong doubted")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=40, help="users, each with a phone and a print")
    parser.add_argument("--each", type=int, default=3, help="photos of each kind and error with each")
    told = parser.parse_args()
    choices = simulate(told.rigs, told.each)
    print(f"{'':24} {'n':>5}" + "".join(f"{column:>15}" for column in COLUMNS))
    for with_rig, kind in [(rig, kind) for rig in (True, False) for kind in OTHER]:
        for errors in ((0, 0.005, 0.01), (0.015, 0.02, 0.025, 0.03), (0.04, 0.05), (0.07,), (0.1,), ERRORS_DEG):
            own = [c for c in choices if (c.with_rig, c.kind) == (with_rig, kind) and c.error_deg in errors]
            if own:
                label = f"{kind}{'' if with_rig else ', no rig'}, {errors[0]:g} to {errors[-1]:g}"
                print(f"{label:24} {len(own):5}" + "".join(f"{share(own, each):13.1f} %" for each in COLUMNS))


if __name__ == "__main__":
    main()
