"""Score the program against photos with exact truth: `python -m tests.accuracy FOLDER [--photos 8 [--from 1]]`.

FOLDER holds one folder a rig, with survey-*.jpg of the bare sheets and photos of pieces, each with NAME.truth.json.
Every error is told twice: against the line that the fence made (`polygon`: what the user wants, and what the stated
± must hold) and against the edge as cut (`as_cut`: what a perfect instrument would read off the sawn edge).
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.one_photo import measure_photo, measure_turned
from tests.slot_truth import SLOTS, slot_scores
from visioncheck.camera.rig import Rig
from visioncheck.camera.rig_file import load_rig
from visioncheck.cli import main as visioncheck
from visioncheck.errors import UserError
from visioncheck.fence.squareness import fit_panel
from visioncheck.printed.layout import target_layout
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading

KINDS = {"corner": "corner", "panel4": "panel", "strip": "strip"} | SLOTS
FENCE, CUT = "polygon", "as_cut"
"""The two truths, as the truth files call them."""


@dataclass(frozen=True)
class Score:
    """One reading against both truths.

    Attributes
    ----------
    what : str
        With a rig or without, which quantity, its unit.
    error, error_as_cut : float
        Against the line that the fence made, and against the edge as cut; nan where it was refused or not told.
    stated : float
        Its 95 %.
    refused : str
        Why, where it was.
    """

    what: str
    error: float = np.nan
    error_as_cut: float = np.nan
    stated: float = np.nan
    refused: str = ""

    @property
    def held(self) -> bool:
        """Whether the stated interval holds the line that the fence made."""
        return abs(self.error) <= self.stated


def truth_of(photo: Path) -> dict:
    return json.loads(photo.with_suffix("").with_suffix(".truth.json").read_text())


def survey_photos(folder: Path, count: int | None, start: int) -> list[Path]:
    """`count` photos spread evenly over the folder's, from the `start`-th (1 is the first); all for None."""
    photos = sorted(folder.glob("survey-*.jpg"))
    if count is None or count >= len(photos):
        return photos
    return photos[start - 1 :: len(photos) // count][:count]


def rig_of(photos: list[Path]) -> Rig:
    """Survey as a user does.

    Raises
    ------
    UserError
        The survey's own.
    """
    with tempfile.TemporaryDirectory() as scratch:
        return load_rig(write_rig(photos, Path(scratch) / "rig.json"))


def write_rig(photos: list[Path], file: Path, ruled_share: float = 1.0) -> Path:
    """Survey into a file; the ruled length is the true one times `ruled_share`."""
    sheet = next(sheet for sheet in truth_of(photos[0])["sheets"] if sheet["sheet"] == 0)
    first, last = target_layout(sheet["paper"]).ruled_points
    ends = np.array(sheet["saddles_table_mm"])[[first, last]]
    ruled_mm = float(np.linalg.norm(ends[1] - ends[0])) * ruled_share
    said = io.StringIO()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(said):
        failed = visioncheck(["survey", *map(str, photos), "--ruled", f"{ruled_mm:.2f}mm", "-o", str(file)])
    if failed:
        raise UserError(said.getvalue().strip().removeprefix("visioncheck: "))
    return file


def _angle_between(first: np.ndarray, second: np.ndarray) -> float:
    return float(np.degrees(np.arctan2(first[0] * second[1] - first[1] * second[0], first @ second)))


def scores_of(reading: Reading, truth: dict, line: str) -> list[tuple[str, float, float, str]]:
    """What is scored, its error against the truth called `line`, its stated 95 % and the unit of both."""
    if truth["type"] in SLOTS:
        return slot_scores(reading, truth, line)
    return [(*headline(reading, truth, line), "deg")]


def headline(reading: Reading, truth: dict, line: str) -> tuple[str, float, float]:
    """What is scored, its error and its stated 95 %, deg."""
    piece = truth["pieces"][0]
    polygon = np.array(piece[line])
    angles = np.array(piece["as_cut_angles_deg" if line == CUT else "angles_deg"])
    place = [int(np.argmin(np.linalg.norm(polygon - corner.at_mm, axis=1))) for corner in reading.corners]
    if reading.taper is not None and truth["type"] == "strip":
        sides = polygon[[1, 2, 3, 0]] - polygon[[0, 1, 2, 3]]
        lengths = np.linalg.norm(sides, axis=1)
        k = 0 if lengths[0] + lengths[2] > lengths[1] + lengths[3] else 1
        opening = _angle_between(sides[k], -sides[(k + 2) % 4])
        return "taper", abs(reading.taper.value) - abs(opening), reading.taper.expanded()
    if reading.question and reading.question.code == "kind":
        return "asks which kind", np.nan, np.nan
    if reading.piece != KINDS[truth["type"]]:
        return f"taken for {reading.piece}", np.nan, np.nan
    if truth["type"] == "panel4":
        if reading.fence_error is None:
            return "order not known", np.nan, np.nan
        # cut by a rear fence, the panel on the left of the blade: e is how far the corners open
        opening = fit_panel(angles[[1, 2, 3, 0]], np.eye(4) * 1e-6, shear=True).opening.value
        return "fence error", reading.fence_error.value - opening, reading.fence_error.expanded()
    corner = reading.corners[place.index(0)]
    return "corner", corner.angle.value - float(angles[0]), corner.angle.expanded()


def _tell(name: str, label: str, kind: str, measure: Callable[[], Reading], truth: dict) -> Iterator[Score]:
    """Measure, print and score one reading."""
    try:
        reading = measure()
    except UserError as error:
        print(f"{name:34} {label:12} refused: {error}")
        yield Score(f"{label}, {kind}", refused=str(error))
        return
    flags = " ".join(reading.flags)
    both = zip(scores_of(reading, truth, FENCE), scores_of(reading, truth, CUT), strict=True)
    for (what, error, stated, unit), (_, as_cut, _, _) in both:
        score = Score(f"{label}, {kind if np.isnan(error) else f'{what} ({unit})'}", error, as_cut, stated)
        held = "" if np.isnan(error) else ("held" if score.held else f"MISSED, {abs(error) / stated:.1f} x")
        print(f"{name:34} {label:12} {what:16} {error:+9.4f} ({as_cut:+.4f}) {unit:3} ± {stated:.4f} {held} {flags}")
        yield score


WHAT = {
    "corner": "corner (deg)",
    "panel4": "fence error (deg)",
    "strip": "taper (deg)",
    "kerf": "slot width (mm)",
    "gap": "gap width (mm)",
}
"""What a refused photo would have been scored by."""


def score_folder(folder: Path, count: int | None, start: int) -> list[Score]:
    """Survey and measure all that one rig's folder holds."""
    photos = survey_photos(folder, count, start)
    print(f"\n{folder.name}: survey of {len(photos)}: {', '.join(photo.stem for photo in photos)}")
    rig: Rig | UserError
    try:
        rig = rig_of(photos)
    except UserError as error:
        rig = error
    scores: list[Score] = []
    for photo in sorted(folder.glob("*.jpg")):
        if truth_of(photo)["truth"]["type"] in KINDS:
            scores += [*_score_photo(photo, "rig", rig), *_score_photo(photo, "no rig", None)]
    return scores


def _score_photo(photo: Path, label: str, rig: Rig | UserError | None) -> Iterator[Score]:
    """Read the photo alone, and with its second one, the piece turned a quarter, where there is one."""
    truth = truth_of(photo)["truth"]
    thickness = None if truth.get("tag") else Quantity(truth["thickness_mm"], 0.5, "mm")
    name, kind = f"{photo.parent.name}/{photo.stem}", WHAT[truth["type"]]

    def used() -> Rig | None:
        if isinstance(rig, UserError):
            raise UserError(f"survey: {rig}")
        return rig

    def one() -> Reading:
        return measure_photo(photo, used(), thickness, KINDS.get(truth["type"])).reading

    yield from _tell(name, label, kind, one, truth)
    again = photo.with_name(photo.name.replace("-turn0", "-turn90"))
    if again != photo:

        def pair() -> Reading:
            return measure_turned((photo, again), used(), thickness).reading

        yield from _tell(name, f"{label}, pair", kind, pair, truth)


def print_table(scores: list[Score]) -> None:
    """Of every quantity: errors against both lines, how often the stated 95 % held the fence's, what was refused."""
    print(
        f"\n{'':30} {'n':>3} {'refused':>7} {'not told':>8}  {'fence: median':>13} {'worst':>7} {'held':>9} {'> 2×':>4}"
        f"  {'cut: median':>11} {'worst':>7} {'median ±':>9}"
    )
    for what in sorted({score.what for score in scores}):
        own = [score for score in scores if score.what == what]
        refused = sum(1 for score in own if score.refused)
        read = [score for score in own if not np.isnan(score.error)]
        row = f"{what:30} {len(own):3} {refused:7} {len(own) - refused - len(read):8}"
        if read:
            error, as_cut = np.abs([s.error for s in read]), np.abs([s.error_as_cut for s in read])
            stated = np.array([s.stated for s in read])
            held = f"{sum(s.held for s in read)} of {len(read)}"
            row += (
                f"  {np.median(error):13.4f} {error.max():7.4f} {held:>9} {np.sum(error > 2 * stated):4}"
                f"  {np.median(as_cut):11.4f} {as_cut.max():7.4f} {np.median(stated):9.4f}"
            )
        print(row)
    told = [score for score in scores if not np.isnan(score.error)]
    beyond = sum(abs(score.error) > 2 * score.stated for score in told)
    print(f"stated 95 % interval held {sum(s.held for s in told)} of {len(told)}; beyond twice of it {beyond}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="of folders, one a rig")
    parser.add_argument("--only", nargs="+", default=[], metavar="NAME", help="these of its folders")
    parser.add_argument("--photos", type=int, help="how many of its photos a survey takes, spread evenly; all")
    parser.add_argument("--from", dest="start", type=int, default=1, help="the first of them: 2 is the other half")
    told = parser.parse_args()
    scores: list[Score] = []
    for folder in sorted(path for path in told.folder.iterdir() if path.is_dir()):
        if not told.only or folder.name in told.only:
            scores += score_folder(folder, told.photos, told.start)
    print_table(scores)


if __name__ == "__main__":
    main()
