"""Score widths of thin strips under a lamp: `python -m tests.hard.strips RIG.json FROM TO`.

The rig is that of the fixture photos. Strips of 3 to 18 mm are drawn by lot and laid where their narrow shadows and
side faces run into the edge.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from tests.hard.pictures import lamp_by_lot, paint
from tests.hard.scene import Scene
from tests.hard.score import save, verdict_of
from tests.one_photo import measure_photo
from visioncheck.camera.rig import Rig
from visioncheck.camera.rig_file import load_rig
from visioncheck.errors import Refusal
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading


def strip_by_lot(seed: int) -> Scene:
    """Paint a strip whose wood, thickness, lamp and place are drawn by lot."""
    lot = np.random.default_rng(seed)
    base = str(lot.choice(["survey-3", "survey-4", "survey-5", "survey-6"]))
    wood = str(lot.choice(["mdf", "birch", "oak", "walnut"]))
    size = (float(lot.uniform(110, 165)), float(lot.uniform(15, 45)))
    lamp = lamp_by_lot(lot)
    centre = (105.0 + float(lot.uniform(-10, 10)), 148.5 + float(lot.uniform(-25, 25)))
    thickness = float(lot.choice([3, 6, 9, 12, 18]))
    turn = float(lot.uniform(60, 120))
    return paint(f"strip-{seed}", base, wood, thickness, lamp=lamp, size=size, turn=turn, centre=centre, seed=seed)


def read_strip(scene: Scene, rig: Rig, folder: Path) -> Reading:
    """Measure it as its user would."""
    thickness = Quantity(scene.thickness_mm, 0.1, "mm")
    return measure_photo(save(scene, folder), rig, thickness, piece="strip").reading


def width_errors_mm(reading: Reading, scene: Scene) -> list[tuple[float, float]]:
    """Error and stated 95 % of the widths at both ends and in the middle, mm."""
    true = scene.corners_mm  # sides 0 and 2 are the long ones
    first = np.array([corner.at_mm for corner in reading.corners])
    order = [int(np.argmin(np.linalg.norm(true - at, axis=1))) for at in first]
    corners = true[order]
    if np.linalg.norm(corners[1] - corners[0]) < np.linalg.norm(corners[2] - corners[1]):
        corners = np.roll(corners, -1, axis=0)
    ends = (corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    across = np.array([-along[1], along[0]])
    found = []
    for width, share in zip(reading.widths, (0.0, 0.5, 1.0), strict=True):
        here = ends[0] + share * (ends[1] - ends[0])
        meets = [
            np.linalg.solve(np.column_stack([across, -(end - start)]), start - here)[0]
            for start, end in ((corners[0], corners[1]), (corners[3], corners[2]))
        ]
        found.append((width.width.value - abs(meets[0] - meets[1]), width.width.expanded()))
    return found


def main(rig_file: str, start: str, end: str) -> None:
    rig, tally = load_rig(Path(rig_file)), Counter()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(int(start), int(end)):
            scene = strip_by_lot(seed)
            try:
                errors = width_errors_mm(read_strip(scene, rig, Path(folder)), scene)
            except Refusal as refusal:
                tally["refused"] += 1
                print(f"{scene.name:12} refused: {refusal.code} {refusal.case}")
                continue
            share = max(abs(error) / stated for error, stated in errors)
            tally[verdict_of(share)] += 1
            print(f"{scene.name:12} {scene.thickness_mm:4.0f} mm: {share:.2f} of its ±", flush=True)
    print(dict(tally))


if __name__ == "__main__":
    main(*sys.argv[1:])
