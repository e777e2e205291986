"""Does a rig refined by pairs know its sheet as well as it says? `python -m tests.learning [--hands held ...]`.

Each simulated user surveys, then reads pieces in pairs of photos, turned a quarter in between, and refines the rig by
them. Corners of other pieces, each in one photo that is the same for all, are then read with the rig as it was after
so many pairs.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.coverage import HEADER, Score, said, settings_of, table
from tests.pairs import turned
from tests.simulation.bench import Workshop, sawn_piece, shoot_piece, workshop
from tests.simulation.hand import HANDS, Setting
from visioncheck.camera.refine import Evidence, contradicts, refine, sheet_angle_u_deg
from visioncheck.camera.rig import Rig
from visioncheck.camera.survey_frame import print_error
from visioncheck.errors import Refusal
from visioncheck.reading.pair import matches
from visioncheck.reading.piece import read_corners
from visioncheck.reading.sheet_evidence import pair_evidence

AFTER = (0, 1, 2, 3, 5, 10)


@dataclass(frozen=True)
class SheetScore:
    """After how many pairs: the sheet's shear and stretch against the truth, deg, and their stated uncertainty."""

    pairs: int
    error_deg: np.ndarray
    u_deg: float


def evidence_of_pair(shop: Workshop, rng: np.random.Generator) -> Evidence | None:
    """Read one piece twice; None where a photo is refused or the pair contradicts the rig."""
    assert shop.rig is not None
    piece = sawn_piece("corner", rng)
    try:
        first, second = (shoot_piece(lying, shop, shop.rig, rng) for lying in (piece, turned(piece, rng)))
    except Refusal:
        return None
    match = next((m for m in matches(first, second, shop.rig.covariance) if m.shift == 0), None)
    if match is None:
        return None
    evidence = pair_evidence(first, second, match)
    return None if contradicts(evidence, shop.rig) else evidence


def sheet_error_deg(shop: Workshop, rig: Rig) -> np.ndarray:
    """By how much the rig's sheet is out of square, and a square on its corner, (2,)."""
    truth = shop.printed.points_mm[rig.index, :2]
    scales, shear, _ = print_error(truth, rig.points_mm[:, :2])
    return np.array([shear, np.degrees(scales[0] / scales[1] - 1)])


def simulate(
    users: int, each: int, setting: Setting, photos: int = 8, after: Sequence[int] = AFTER, seed: int = 3026
) -> tuple[list[Score], list[SheetScore], int]:
    """Scores of corners and of the sheet after so many pairs, and how many pairs could not be used."""
    scores: list[Score] = []
    sheets: list[SheetScore] = []
    unused = 0
    for user in range(users):
        shop = workshop(seed + user, setting, photos)
        if shop.rig is None:
            continue
        rng = np.random.default_rng([seed, user])
        tried = [evidence_of_pair(shop, rng) for _ in range(max(after))]
        evidence = [each for each in tried if each is not None]
        unused += len(tried) - len(evidence)
        pieces = [sawn_piece("corner", rng) for _ in range(each)]
        for count in after:
            rig = refine(shop.rig, evidence[:count])
            sheets.append(SheetScore(count, sheet_error_deg(shop, rig), sheet_angle_u_deg(rig)))
            for number, piece in enumerate(pieces):
                same = np.random.default_rng([seed, user, number])
                what = f"corner deg, {count:2} pairs"
                try:
                    angle = read_corners(shoot_piece(piece, shop, rig, same))[0].angle
                except Refusal as error:
                    scores.append(Score(what, np.nan, np.nan, str(error)))
                    continue
                scores.append(Score(what, angle.value - float(piece.angles_deg[0]), angle.expanded()))
    return scores, sheets, unused


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    names = [hand.name for hand in HANDS]
    parser.add_argument("--hands", nargs="+", choices=names, default=names)
    parser.add_argument("--users", type=int, default=15)
    parser.add_argument("--each", type=int, default=6, help="corners read with each user's rig")
    parser.add_argument("--photos", type=int, default=8, help="of the bare sheet, in each survey")
    told = parser.parse_args()
    for setting in settings_of(told.hands):
        scores, sheets, unused = simulate(told.users, told.each, setting, told.photos)
        print(f"\n{setting.name}; {told.photos} survey photos; {unused} pairs not used\n{HEADER}")
        for row in table(scores):
            print(said(row))
        for count in AFTER:
            own = [sheet for sheet in sheets if sheet.pairs == count]
            if own:
                rms = np.sqrt(np.mean([sheet.error_deg**2 for sheet in own]))
                stated = np.median([sheet.u_deg for sheet in own])
                print(f"the sheet's right angles, {count:2} pairs: off by {rms:.4f} deg rms, stated u {stated:.4f}")


if __name__ == "__main__":
    main()
