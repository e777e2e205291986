"""Do second cuts, a fence's bow, lengths at stops and a part's width hold the truth? `python -m tests.shop_coverage`.

As `tests.coverage`, on the same invented workshops: pieces, phones and surveys from target points and edge stations.
The thickness is told once for all pieces of a job, wrong by as much as it is said to be uncertain; a phone draws all
edges of its photos outwards alike, beside what each photo does anew.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.coverage import HEADER, Score, said, table
from tests.shapes import laid, quadrilateral
from tests.simulation.bench import MIDDLE_MM, Cut, Workpiece, Workshop, _cut, shoot_piece, workshop
from tests.simulation.hand import DEVELOPED, HANDS, Setting
from visioncheck.edges.trace import Trace
from visioncheck.errors import Refusal
from visioncheck.fence.straightness import fence_bow, separate
from visioncheck.measuring.lengths import _length, _with_height
from visioncheck.measuring.straight import _whole_bow
from visioncheck.quantity import Quantity
from visioncheck.reading.piece import Piece, read_corners, read_edges, read_piece, read_widths
from visioncheck.work.lengths import compare_stops, spread

TOLD_U_MM = 0.3
FENCE_BOW_SD_MM = 0.1


@dataclass(frozen=True)
class Job:
    """A user at work: the shop, chance, and by how much this job's thickness is told wrong, mm."""

    shop: Workshop
    rng: np.random.Generator
    told_off_mm: float

    def shoot(self, piece: Workpiece, bow_mm: float = 0.0) -> Piece:
        """Read a piece as laid, with the job's thickness, its first edge bowed."""
        shape = shoot_piece(piece, self.shop, self.shop.rig, self.rng)
        first, *others = shape.traces
        traces = (_bowed(first, bow_mm, shape.lengths_mm[0]), *others)
        told = Quantity(piece.thickness_mm + self.told_off_mm, TOLD_U_MM, "mm")
        return read_piece(shape.view, traces, _with_height(told) if piece.kind in {"length", "part"} else told)

    def lie(self, sides: tuple[float, float], angles: list[float], turn_deg: float | None = None) -> np.ndarray:
        """Corners of a piece that lies somewhere near the sheet's middle."""
        turn = self.rng.uniform(0, 360) if turn_deg is None else turn_deg
        return laid(quadrilateral(sides, np.array(angles)), MIDDLE_MM + self.rng.uniform(-12, 12, 2), turn)

    def cuts(self) -> tuple[Cut, Cut, Cut, Cut]:
        """Four sawn edges."""
        return (_cut(self.rng), _cut(self.rng), _cut(self.rng), _cut(self.rng))


def _bowed(trace: Trace, bow_mm: float, length_mm: float) -> Trace:
    """An edge with a bow besides its roughness: laid onto the stations, since an arris follows a bow and hides none."""
    middle = trace.points_mm.mean(axis=0)
    along = np.array([-trace.outward[1], trace.outward[0]])
    x = 2 * ((trace.points_mm - middle) @ along) / length_mm
    return replace(trace, points_mm=trace.points_mm + np.outer(bow_mm * (1 - x**2), trace.outward))


def recut(job: Job, *, end_for_end: bool) -> Iterator[Score]:
    """A board, seated turned by its edge, cut; turned over end for end, or with its straight other edge, cut again."""
    e, seat = job.rng.normal(0, 0.1), job.rng.normal(0, 0.05)
    thick, reference, sides = job.rng.uniform(12, 25), _cut(job.rng), job.rng.uniform(80, 120, 2)
    found = []
    for turned in (seat, -seat if end_for_end else 0.0):
        corners = job.lie(tuple(sides), [90 + e + turned, 90.0, 90.0])
        edges = (reference if end_for_end or not found else _cut(job.rng), *(_cut(job.rng) for _ in range(3)))
        shape = job.shoot(Workpiece("corner", corners, thick, edges, e))
        corner = read_corners(shape)[0].angle
        spread_by = shape.propagate_directions(np.array([1.0, 0.0, 0.0, -1.0])).parts
        found.append((replace(corner, value=corner.value - 90), spread_by))
    (first, one), (second, other) = found
    how = "end for end" if end_for_end else "second edge"
    parted = separate(first, second, how, (one, other))
    yield Score(f"{how} e deg", parted.error.value - e, parted.error.expanded())
    if end_for_end:
        yield Score("end for end seat deg", parted.seat.value - seat, parted.seat.expanded())


def straight(job: Job) -> Iterator[Score]:
    """An edge that was planed to fit a bowed fence, photographed, and again turned by half a turn in its place."""
    bow, length = job.rng.normal(0, FENCE_BOW_SD_MM), job.rng.uniform(120, 170)
    edges = tuple(replace(cut, bow_mm=0.0, torn=()) for cut in job.cuts())  # planed
    turn, thick = job.rng.choice([80, 100]) + job.rng.normal(0, 3), job.rng.uniform(12, 25)
    bows = []
    for half in (0, 180):
        corners = job.lie((length, job.rng.uniform(45, 50)), [90.0, 90.0, 90.0], turn + half)
        shape = job.shoot(Workpiece("straight", corners, thick, edges, 0.0), bow)
        bows.append(_whole_bow(shape, read_edges(shape), 0))
    for label, second in (("one photo", None), ("reversed", bows[1])):
        found = fence_bow(bows[0], second, length).bow
        yield Score(f"bow mm, {label}", found.value - bow, found.expanded())


def stops(job: Job, pieces: int = 4) -> Iterator[Score]:
    """Pieces of two stops, one a photo, the second stop's too long by a zero, its extension out of line."""
    zero, line, set_mm, thick = job.rng.normal(0, 0.1), job.rng.normal(0, 0.1), job.rng.uniform(90, 150), 18.0
    groups = []
    for off, turned in ((0.0, 0.0), (zero, line)):
        read = []
        for k in range(pieces):
            long = set_mm + off + job.rng.normal(0, 0.03)
            corners = job.lie((long, job.rng.uniform(40, 60)), [90.0, 90.0 + turned, 90.0])
            middle = np.linalg.norm((corners[1] + corners[2] - corners[0] - corners[3]) / 2)
            shape = job.shoot(Workpiece("length", corners, thick, job.cuts(), 0.0))
            length = _length(str(k), shape, 0, 1)
            # half way up, a piece whose end is turned is as long as it was laid out
            read.append(replace(length, length_mm=length.length_mm + long - float(middle)))
        groups.append(spread(read))
    compared = compare_stops(*groups)
    yield Score("second stop zero mm", compared.zero.value - zero, compared.zero.expanded())
    yield Score("first stop mean mm", groups[0].mean.value - set_mm, groups[0].mean.expanded())
    assert compared.line is not None
    yield Score("second stop line deg", compared.line.value - line, compared.line.expanded())


def part(job: Job) -> Iterator[Score]:
    """A part that stands on its narrow edge."""
    thick, width = job.rng.uniform(30, 60), job.rng.uniform(10, 25)
    corners = job.lie((job.rng.uniform(120, 170), width), [90.0, 90.0, 90.0])
    shape = job.shoot(Workpiece("part", corners, thick, job.cuts(), 0.0))
    found = read_widths(shape, (0.5,))[0].width
    yield Score("part on edge mm", found.value - width, found.expanded())


JOBS: dict[str, Callable[[Job], Iterator[Score]]] = {
    "end for end": lambda job: recut(job, end_for_end=True),
    "second edge": lambda job: recut(job, end_for_end=False),
    "straight": straight,
    "stops": stops,
    "part": part,
}


def simulate(
    rigs: int, each: int, setting: Setting, jobs: Sequence[str] = tuple(JOBS), seed: int = 2028
) -> Iterator[Score]:
    """Do each job `each` times in each of `rigs` workshops."""
    for number in range(rigs):
        shop = workshop(seed + number, setting)
        rng = np.random.default_rng([seed, number])
        for name in list(jobs) * each if shop.rig else ():
            job = Job(shop, rng, rng.normal(0, TOLD_U_MM))
            try:
                yield from list(JOBS[name](job))
            except Refusal as error:
                yield Score(name, np.nan, np.nan, str(error))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=8)
    parser.add_argument("--each", type=int, default=10)
    parser.add_argument("--hands", nargs="+", choices=[hand.name for hand in HANDS], default=["still", "held"])
    parser.add_argument("--jobs", nargs="+", choices=JOBS, default=list(JOBS))
    told = parser.parse_args()
    for hand in (each for each in HANDS if each.name in told.hands):
        print(f"\n{hand.name}, developed\n{HEADER}")
        for row in table(list(simulate(told.rigs, told.each, Setting(hand, DEVELOPED), told.jobs))):
            print(said(row))


if __name__ == "__main__":
    main()
