"""Do pairs of photos, the piece turned a quarter in between, hold the truth: `python -m tests.pairs [--prints N]`.

As `tests.coverage`, on the same simulated prints and pieces, each print without a survey and with one. The edges'
roughness is the same in both photos, as real wood's is.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from tests.coverage import HEADER, Score, said, table
from tests.simulation.bench import MIDDLE_MM, Workpiece, sawn_piece, shoot_piece, workshop
from tests.simulation.hand import Setting
from visioncheck.camera.rig import Rig
from visioncheck.reading.pair import matches, mean_piece, told_apart
from visioncheck.reading.piece import Piece, read_corners

TURN_SD_DEG = 5.0
"""How well a quarter turn is made by eye; an assumption."""


def turned(piece: Workpiece, rng: np.random.Generator) -> Workpiece:
    """The piece laid anew, a quarter turn on, one way or the other."""
    angle = np.radians(rng.choice([-90.0, 90.0]) + rng.normal(0, TURN_SD_DEG))
    axes = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    about = piece.corners_mm - piece.corners_mm.mean(axis=0)
    return replace(piece, corners_mm=about @ axes.T + MIDDLE_MM + rng.uniform(-12, 12, 2))


def mean_of(first: Piece, second: Piece, rig: Rig | None) -> tuple[Piece, bool]:
    """The pair as the program takes it when a tag tells the corners, and whether the shapes told them too."""
    common = np.eye(first.print_gain.shape[1]) if rig is None else rig.covariance
    found = matches(first, second, common)
    told = next(match for match in found if match.shift == 0)
    by_shape = told_apart(found) and found[0] == told
    return mean_piece(first, second, told, common, surveyed=rig is not None), by_shape


def simulate(prints: int, each: int, seed: int = 2026) -> tuple[list[Score], float]:
    """Scores of single photos and of pairs, and how often the shapes alone told which corner is which."""
    scores: list[Score] = []
    by_shape = []
    for user in range(prints):
        shop = workshop(seed + user, Setting())
        assert shop.rig is not None
        rng = np.random.default_rng([seed, user, 1])
        for _ in range(each):
            piece = sawn_piece("corner", rng)
            again = turned(piece, rng)
            for label, used in (("no rig", None), ("rig", shop.rig)):
                first, second = (shoot_piece(lying, shop, used, rng) for lying in (piece, again))
                mean, told = mean_of(first, second, used)
                by_shape.append(told)
                for what, shape in (("one photo", first), ("pair", mean)):
                    angle = read_corners(shape)[0].angle
                    scores.append(Score(f"{what}, {label}", angle.value - piece.angles_deg[0], angle.expanded()))
    return scores, float(np.mean(by_shape))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--prints", type=int, default=40)
    parser.add_argument("--each", type=int, default=5, help="pairs on each print")
    told = parser.parse_args()
    scores, by_shape = simulate(told.prints, told.each)
    print(HEADER)
    for row in table(scores):
        print(said(row))
    print(f"corners told apart by the shapes alone: {100 * by_shape:.0f} %")


if __name__ == "__main__":
    main()
