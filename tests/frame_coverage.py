"""Does a frame's last joint by photo hold the truth? `python -m tests.frame_coverage RIG.json [FROM TO]`.

Frames of chance painted on photos of the bare sheet, with the sheet's survey: sides, wood, width, place, opening and
wedge. Prints each wedge against the truth, and how many are within their ±.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np

from tests.fence.painted_frames import LastJoint, shown
from visioncheck.measuring.measure import measure_piece
from visioncheck.measuring.options import read_piece_options
from visioncheck.measuring.request import MeasureRequest, read_rig
from visioncheck.present.naming import error_sentence

BASES = ("survey-1", "survey-2", "survey-3", "survey-4", "survey-5", "survey-6")


def of_chance(seed: int) -> LastJoint:
    """Two arms of a frame, or a small ring."""
    rng = np.random.default_rng([2029, seed])
    sides = int(rng.choice([3, 4, 4, 4, 5, 6, 8, 8, 12]))
    ring = sides >= 4 and rng.random() < 0.3
    turn = rng.uniform(0, 360)
    radius = rng.uniform(60, 75)
    width = rng.uniform(22, 34) if ring else rng.uniform(28, 50)
    towards = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    middle = np.array([105.0, 148.0]) + rng.uniform(-6, 6, 2)
    # an arm lies about the sheet's middle by its inner corner
    outer = middle - towards * (radius if ring else width / np.cos(np.pi / sides))
    return LastJoint(
        sides=sides,
        wedge_deg=float(rng.uniform(0.1, 1.5)),
        opens=str(rng.choice(["outside", "inside"])),
        apart=float(rng.uniform(0.8, 2.5)),
        width=float(width),
        arm=None if ring else float(rng.uniform(75, 95)),
        side=float(2 * radius * np.sin(np.pi / sides)),
        outer=(float(outer[0]), float(outer[1])),
        turn_deg=float(turn),
        thickness=float(rng.uniform(12, 22)),
        wood=str(rng.choice(["birch", "oak", "walnut", "mdf"])),
        seed=seed,
        base=str(rng.choice(BASES)),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("rig", type=Path)
    parser.add_argument("first", type=int, nargs="?", default=0)
    parser.add_argument("last", type=int, nargs="?", default=40)
    told = parser.parse_args()
    rig, found = read_rig(told.rig), {"within": 0, "up to twice": 0, "wrong": 0, "refused": 0}
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(told.first, told.last):
            what = of_chance(seed)
            options = read_piece_options(thickness=f"{what.thickness:.1f}mm", frame=what.sides, at_fence="outer")
            photo = shown(what).save(Path(folder) / f"{seed}.jpg")
            outcome = measure_piece(MeasureRequest(photo, None, None, rig, options))
            said = f"{seed}: {what.sides} sides{', ring' if what.arm is None else ''}, {what.wood}"
            if outcome.measured is None or outcome.measured.reading.taper is None:
                found["refused"] += 1
                print(said, error_sentence(outcome.problem) if outcome.problem else "nothing", flush=True)
                continue
            reading = outcome.measured.reading
            opens = reading.last_joint.opens if reading.last_joint else ""
            size = abs(reading.taper.value) * (1 if opens == what.opens else -1)
            ratio = abs(size - what.wedge_deg) / reading.taper.expanded()
            found["within" if ratio <= 1 else "up to twice" if ratio <= 2 else "wrong"] += 1
            print(
                f"{said}: {size:.3f} ± {reading.taper.expanded():.3f} of {what.wedge_deg:.3f}°, {ratio:.2f}", flush=True
            )
    print(found)


if __name__ == "__main__":
    main()
