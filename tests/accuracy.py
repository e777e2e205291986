"""Score the program against photos with exact truth: `python -m tests.accuracy FOLDER`.

FOLDER holds one folder a rig, with survey-*.jpg of the bare sheets and photos of pieces, each with NAME.truth.json.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.slot_truth import SLOTS, slot_scores
from visioncheck.camera.rig import Rig, load_rig
from visioncheck.cli import main as visioncheck
from visioncheck.errors import UserError
from visioncheck.fence.squareness import fit_panel
from visioncheck.measure import measure_photo
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading
from visioncheck.target.layout import layout_of

KINDS = {"corner": "corner", "panel4": "panel", "strip": "strip"} | SLOTS


def truth_of(photo: Path) -> dict:
    return json.loads(photo.with_suffix("").with_suffix(".truth.json").read_text())


def rig_of(folder: Path) -> Rig:
    photos = sorted(folder.glob("survey-*.jpg"))
    sheet = next(sheet for sheet in truth_of(photos[0])["sheets"] if sheet["sheet"] == 0)
    first, last = layout_of(sheet["paper"]).ruled_points
    ends = np.array(sheet["saddles_table_mm"])[[first, last]]
    ruled_mm = float(np.linalg.norm(ends[1] - ends[0]))
    with tempfile.TemporaryDirectory() as scratch, contextlib.redirect_stdout(io.StringIO()):
        file = Path(scratch) / "rig.json"
        assert visioncheck(["survey", *map(str, photos), "--ruled", f"{ruled_mm:.2f}mm", "-o", str(file)]) == 0
        return load_rig(file)


def _angle_between(first: np.ndarray, second: np.ndarray) -> float:
    return float(np.degrees(np.arctan2(first[0] * second[1] - first[1] * second[0], first @ second)))


def scores_of(reading: Reading, truth: dict) -> list[tuple[str, float, float, str]]:
    """What is scored, its error, its stated 95 % and the unit of both."""
    return slot_scores(reading, truth) if truth["type"] in SLOTS else [(*headline(reading, truth), "deg")]


def headline(reading: Reading, truth: dict) -> tuple[str, float, float]:
    """What is scored, its error and its stated 95 %, deg."""
    piece = truth["pieces"][0]
    polygon, angles = np.array(piece["as_cut"]), np.array(piece["as_cut_angles_deg"])
    place = [int(np.argmin(np.linalg.norm(polygon - corner.at_mm, axis=1))) for corner in reading.corners]
    if reading.taper is not None and truth["type"] == "strip":
        sides = polygon[[1, 2, 3, 0]] - polygon[[0, 1, 2, 3]]
        lengths = np.linalg.norm(sides, axis=1)
        k = 0 if lengths[0] + lengths[2] > lengths[1] + lengths[3] else 1
        opening = _angle_between(sides[k], -sides[(k + 2) % 4])
        return "taper", abs(reading.taper.value) - abs(opening), reading.taper.expanded()
    if reading.question and "--piece" in reading.question:
        return "asks which kind", float("nan"), float("nan")
    if reading.piece != KINDS[truth["type"]]:
        return f"taken for {reading.piece}", float("nan"), float("nan")
    if truth["type"] == "panel4":
        if reading.fence_error is None:
            return "order not known", float("nan"), float("nan")
        as_cut = fit_panel(angles[[1, 2, 3, 0]], np.eye(4) * 1e-6, shear=True).opening.value
        return "fence error", reading.fence_error.value - as_cut, reading.fence_error.expanded()
    corner = reading.corners[place.index(0)]
    return "corner", corner.angle.value - float(angles[0]), corner.angle.expanded()


def main(folder: Path) -> None:
    scores: dict[str, list[float]] = {}
    inside = []
    for rig_folder in sorted(path for path in folder.iterdir() if path.is_dir()):
        rig = rig_of(rig_folder)
        for photo in sorted(rig_folder.glob("*.jpg")):
            truth = truth_of(photo)["truth"]
            if truth["type"] not in KINDS:
                continue
            thickness = None if truth.get("tag") else Quantity(truth["thickness_mm"], 0.5, "mm")
            name = f"{rig_folder.name}/{photo.stem}"
            for label, used in (("rig", rig), ("no rig", None)):
                try:
                    reading = measure_photo(photo, used, thickness, SLOTS.get(truth["type"])).reading
                except UserError as error:
                    print(f"{name:32} {label:6} refused: {error}")
                    continue
                for what, error, stated, unit in scores_of(reading, truth):
                    held = "" if np.isnan(error) else ("held" if abs(error) <= stated else "MISSED")
                    flags = " ".join(reading.flags)
                    print(f"{name:32} {label:6} {what:16} {error:+9.4f} {unit:3}  ± {stated:.4f}  {held} {flags}")
                    if not np.isnan(error):
                        inside.append(held == "held")
                        scores.setdefault(f"{label}, {what} ({unit})", []).append(abs(error))
    for what, errors in sorted(scores.items()):
        print(f"{what:28} n {len(errors):3}  median {np.median(errors):.4f}  worst {max(errors):.4f}")
    print(f"stated 95 % interval held {sum(inside)} of {len(inside)}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
