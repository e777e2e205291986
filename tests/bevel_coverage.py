"""What a cut of 18, 40 or 90 mm height shows of the blade's tilt: `python -m tests.bevel_coverage [--rigs 4]`.

Boards stood on their edge under invented phones (see `tests.simulation.bench`): their edges lean as `checks` supposes,
the print, the survey and the edges' roughness are those of all other simulations. Truth is the plane that the blade
made.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

import numpy as np

from tests.coverage import HEADER, Score, said, table
from tests.shapes import laid, quadrilateral
from tests.simulation.bench import MIDDLE_MM, Workpiece, _cut, shoot_piece, workshop
from tests.simulation.hand import DEVELOPED, HANDS, Setting
from visioncheck import checks
from visioncheck.errors import Refusal
from visioncheck.fence.signs import OneCut, blade_tilt
from visioncheck.reading.piece import read_corners

HEIGHTS_MM = (18.0, 40.0, 90.0)


def standing(height_mm: float, tilt_deg: float, rng: np.random.Generator) -> Workpiece:
    """A board on its edge, seen from above, near the sheet's middle; corner 0 is of the table's face and the cut."""
    corners = quadrilateral((rng.uniform(80, 110), height_mm), np.array([90.0 + tilt_deg, 90.0, 90.0]))
    corners = laid(corners, MIDDLE_MM + rng.uniform(-12, 12, 2), rng.uniform(0, 360))
    return Workpiece("bevel", corners, rng.uniform(45, 80), (_cut(rng), _cut(rng), _cut(rng), _cut(rng)), tilt_deg)


def simulate(rigs: int, each: int, setting: Setting, seed: int = 2027) -> Iterator[Score]:
    """Tilts of up to some tenths, on `each` boards of every height with each of `rigs` surveys."""
    for number in range(rigs):
        shop = workshop(seed + number, setting)
        rng = np.random.default_rng([seed, number])
        for height in HEIGHTS_MM * each:
            what, tilt = f"tilt deg, {height:.0f} mm high", rng.normal(0, 0.3)
            piece = standing(height, tilt, rng)
            try:
                shape = shoot_piece(piece, shop, shop.rig, rng, checks.BEVEL_LEAN_DEG)
            except Refusal as error:
                yield Score(what, np.nan, np.nan, str(error))
                continue
            found = blade_tilt(OneCut(read_corners(shape)[0].angle), "left")
            yield Score(what, found.value - tilt, found.expanded())


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=4)
    parser.add_argument("--each", type=int, default=40)
    told = parser.parse_args()
    print(HEADER)
    for row in table(list(simulate(told.rigs, told.each, Setting(HANDS[0], DEVELOPED)))):
        print(said(row))
