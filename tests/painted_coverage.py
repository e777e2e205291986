"""Do second cuts, a fence's bow, lengths and a blade's tilt by photo hold the truth?

`python -m tests.painted_coverage {recut,straight,stops,bevel} RIG.json [FROM TO]`: boards of chance painted on photos
of the bare sheet, with the sheet's survey, and measured as their user would. Prints each reading against the truth, and
how many are within their ±.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.coverage import Score
from tests.fence.painted_shop import Board, Shot, board, cut_to_length, cut_twice, shown, ways
from tests.hard.scene import Lamp
from visioncheck import checks
from visioncheck.errors import UserError
from visioncheck.measuring.lengths import measure_all
from visioncheck.measuring.measure import measure_piece
from visioncheck.measuring.options import read_piece_options
from visioncheck.measuring.request import MeasureRequest, RigFile, read_rig
from visioncheck.present.naming import error_sentence
from visioncheck.reading.model import Reading
from visioncheck.work.lengths import StopSpread, compare_stops, spread

HELD = (("survey-5", "survey-8"), ("survey-6",), ("survey-7",))
"""Photos from near above, by how the phone was held: who says "bottom" of several photos holds it alike."""
TOLD_U_MM = 0.1
"""How wrong a thickness is told, and said to be."""
STOP_SD_MM = 0.03


@dataclass(frozen=True)
class Shop:
    """A user at work with their survey: chance, a folder for the photos, bare sheets, and what the wood is like."""

    rng: np.random.Generator
    rig: RigFile
    folder: Path
    seed: int
    bases: tuple[str, ...]
    wood: str
    thickness_mm: float

    @property
    def told(self) -> str:
        """The thickness as the user measured it."""
        off = np.random.default_rng([2030, self.seed]).normal(0, TOLD_U_MM)
        return f"{self.thickness_mm + off:.2f}mm±{1.96 * TOLD_U_MM:.3f}mm"

    def shot(self) -> Shot:
        """Another photo of the same work."""
        rng = self.rng
        away = rng.uniform(0.05, 0.5) * np.array([np.cos(way := rng.uniform(0, 2 * np.pi)), np.sin(way)])
        lamp = Lamp((float(away[0]), float(away[1])), float(rng.uniform(0.3, 0.7)), float(rng.uniform(0.05, 0.3)))
        base = str(rng.choice(self.bases))
        # half of the photos as the phone stood for the survey, half as it never did
        tilt = float(rng.uniform(0, 15)) if rng.random() < 0.5 else None
        return Shot(base, tilt, lamp, self.wood, int(rng.integers(2**31)))

    def near_middle(self) -> tuple[float, float]:
        """Where a piece lies."""
        x, y = np.array([105.0, 148.5]) + self.rng.uniform(-8, 8, 2)
        return float(x), float(y)

    def save(self, name: str, shot: Shot, boards: list[Board]) -> tuple[Path, tuple[str, ...]]:
        """Take the photo; also the sides of the picture that the first board's edges point to."""
        picture = shown(shot, boards)
        path = picture.save(self.folder / f"{self.seed}-{name}.jpg")
        return path, ways(picture, boards[0].corners_mm, boards[0].thickness_mm)

    def measure(self, photo: Path, turned: Path | None = None, **told: object) -> Reading:
        """Measure it by the public way; a question would be a mistake of this program."""
        options = read_piece_options(thickness=self.told, **told)
        outcome = measure_piece(MeasureRequest(photo, turned, None, self.rig, options))
        if outcome.problem is not None:
            raise outcome.problem
        assert outcome.measured is not None
        reading = outcome.measured.reading
        assert reading.question is None, reading.question
        return reading


def shop_of_chance(seed: int, rig: RigFile, folder: Path, thickness_mm: tuple[float, float]) -> Shop:
    rng = np.random.default_rng([2031, seed])
    wood = str(rng.choice(["birch", "oak", "walnut", "mdf"]))
    bases = HELD[int(rng.choice(len(HELD), p=[0.5, 0.25, 0.25]))]
    return Shop(rng, rig, folder, seed, bases, wood, float(rng.uniform(*thickness_mm)))


def recut(shop: Shop) -> Iterator[Score]:
    """A board that lies turned on the fence, cut, and cut again end for end or with its other edge at the fence."""
    rng = shop.rng
    e, seat = rng.normal(0, 0.1), rng.normal(0, 0.05)
    how = str(rng.choice(["end for end", "second edge"], p=[0.7, 0.3]))
    sides = (rng.uniform(90, 130), rng.uniform(60, 100))
    turn, bow, seed = rng.choice([0, 90, 180, 270]), rng.normal(0, 0.03), int(rng.integers(2**31))
    photos, sides_told = [], set()
    for k, (size, angles) in enumerate(cut_twice(e, seat, how, sides, tuple(90 + rng.normal(0, 0.3, 2)))):
        bowed = bow if how == "end for end" or k == 0 else 0.0
        lying = board(
            size, angles, shop.near_middle(), turn + rng.normal(0, 4), shop.thickness_mm, bow_mm=bowed, seed=seed + k
        )
        path, sides_seen = shop.save(f"cut-{k}", shop.shot(), [lying])
        photos.append(path)
        sides_told.add(sides_seen[0])
    (edge,) = sides_told
    found = shop.measure(*photos, recut=how, fence_edge=edge)
    assert found.fence_error is not None
    assert found.two_cuts is not None
    yield Score(f"{how} e deg", found.fence_error.value - e, found.fence_error.expanded())
    if how == "end for end":
        yield Score(f"{how} seat deg", found.two_cuts.seat.value - seat, found.two_cuts.seat.expanded())


def straight(shop: Shop) -> Iterator[Score]:
    """A board's edge that was planed to fit a bowed fence, and again after half a turn."""
    rng = shop.rng
    bow, size = rng.normal(0, 0.1), (rng.uniform(110, 140), rng.uniform(45, 70))
    turn, seed = rng.choice([90, 270]) + rng.normal(0, 3), int(rng.integers(2**31))
    middle, photos, told = shop.near_middle(), [], []
    for half in (0, 180):
        lying = board(size, (90.0, 90.0, 90.0), middle, turn + half, shop.thickness_mm, bow_mm=bow, seed=seed)
        path, sides_seen = shop.save(f"half-{half}", shop.shot(), [lying])
        photos.append(path)
        told.append(sides_seen[0])
    for label, second in (("one photo", None), ("reversed", photos[1])):
        found = shop.measure(photos[0], second, piece="straight", fence_edge=told[0]).straight
        assert found is not None
        yield Score(f"bow mm, {label}", found.bow.value - bow, found.bow.expanded())


def stops(shop: Shop) -> Iterator[Score]:
    """Pieces of two stops, the second's too long by a zero, its extension out of line; together, or one a photo."""
    rng = shop.rng
    zero, line, set_mm = rng.normal(0, 0.1), rng.normal(0, 0.1), rng.uniform(95, 130)
    together = rng.random() < 0.6
    wide, end_over = rng.uniform(26, 34), rng.choice([0.0, 180.0])
    groups = []
    for stop, (off, out) in enumerate(((0.0, 0.0), (zero, line))):
        longs = set_mm + off + rng.normal(0, STOP_SD_MM, 4 if together else 3)
        photos, told = _pieces_of_stop(shop, stop, longs, wide, 90.0 + out, end_over, together=together)
        (edges,) = told
        groups.append(spread(measure_all(photos, shop.rig.rig, _thickness(shop), edges[0], edges[1])))
    yield Score("first stop mean mm", groups[0].mean.value - set_mm, groups[0].mean.expanded())
    compared = compare_stops(*groups)
    yield Score("second stop zero mm", compared.zero.value - zero, compared.zero.expanded())
    assert compared.line is not None
    yield Score("second stop line deg", compared.line.value - line, compared.line.expanded())
    for group in groups:
        yield _spread_score(group)


def _thickness(shop: Shop):
    return read_piece_options(thickness=shop.told).thickness


def _pieces_of_stop(shop, stop, longs, wide, cut_deg, turn, *, together):
    """Photos of a stop's pieces, and which sides of the picture their edges point to, as a set of what is told."""
    rng, shapes = shop.rng, [cut_to_length(long, wide, cut_deg, 90.0 + shop.rng.normal(0, 0.1)) for long in longs]
    photos, told = [], set()
    for number, laid_out in enumerate([shapes] if together else [[each] for each in shapes]):
        boards = []
        for k, shape in enumerate(laid_out):
            down = 148.5 + 46.0 * (k - (len(laid_out) - 1) / 2) + rng.uniform(-1, 1)
            centre = (105.0 + rng.uniform(-4, 4), down)
            seed = int(rng.integers(2**31))
            boards.append(board(*shape, centre, turn + rng.normal(0, 1.2), shop.thickness_mm, seed=seed))
        path, sides_seen = shop.save(f"stop-{stop}-{number}", shop.shot(), boards)
        photos.append(path)
        told.add(sides_seen[:2])
    return photos, told


def _spread_score(group: StopSpread) -> Score:
    """By how much of its interval's half the stop's own spread is missed."""
    beyond = group.high_mm if group.stop_sd_mm < STOP_SD_MM else group.low_mm
    return Score("stop's own spread mm", STOP_SD_MM - group.stop_sd_mm, abs(beyond - group.stop_sd_mm) or 1e-6)


def bevel(shop: Shop) -> Iterator[Score]:
    """A board on its edge whose cut is 18, 40 or 90 mm high, its upper edge not quite parallel to the lower."""
    rng = shop.rng
    tilt, height = rng.normal(0, 0.3), float(rng.choice([18.0, 40.0, 90.0]))
    angles = (90.0 + rng.normal(0, 0.1), 90.0 + tilt, 90.0 + rng.normal(0, 0.1))
    turn = rng.choice([0, 90, 180, 270]) + rng.normal(0, 5)
    lean = tuple(rng.normal(0, checks.BEVEL_LEAN_DEG))
    seed = int(rng.integers(2**31))
    standing = board(
        (rng.uniform(80, 110), height), angles, shop.near_middle(), turn, shop.thickness_mm, lean_deg=lean, seed=seed
    )
    path, sides_seen = shop.save("bevel", shop.shot(), [standing])
    found = shop.measure(path, piece="bevel", fence_edge=sides_seen[0], cut_edge=sides_seen[1]).tilt
    assert found is not None
    yield Score(f"tilt deg, {height:.0f} mm high", found.value - tilt, found.expanded())


KINDS: dict[str, tuple[Callable[[Shop], Iterator[Score]], tuple[float, float]]] = {
    "recut": (recut, (12, 25)),
    "straight": (straight, (12, 25)),
    "stops": (stops, (12, 22)),
    "bevel": (bevel, (45, 80)),
}
"""Each kind of work, and how thick (of a bevel: tall) it is, mm."""


def judged(ratio: float) -> str:
    """An error over the stated ± in words."""
    return "within" if ratio <= 1 else "up to twice" if ratio <= 2 else "wrong"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kind", choices=KINDS)
    parser.add_argument("rig", type=Path)
    parser.add_argument("first", type=int, nargs="?", default=0)
    parser.add_argument("last", type=int, nargs="?", default=30)
    told = parser.parse_args()
    work, thickness = KINDS[told.kind]
    rig, found = read_rig(told.rig), Counter()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(told.first, told.last):
            shop = shop_of_chance(seed, rig, Path(folder), thickness)
            try:
                for score in work(shop):
                    ratio = abs(score.error) / score.stated
                    found[score.what, judged(ratio)] += 1
                    said = f"{score.error:+.4f} of ± {score.stated:.4f}, {ratio:.2f}"
                    print(f"{seed}: {shop.wood}: {score.what} {said}", flush=True)
            except UserError as problem:
                found["all", "refused"] += 1
                print(f"{seed}: {shop.wood}: {error_sentence(problem)}", flush=True)
            for photo in Path(folder).iterdir():
                photo.unlink()
    for what in sorted({what for what, _ in found}):
        print(what, {how: n for (each, how), n in found.items() if each == what})


if __name__ == "__main__":
    main()
