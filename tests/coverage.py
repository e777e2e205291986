"""Do the stated 95 % intervals hold the truth? A seeded simulation: `python -m tests.coverage [--hands held ...]`.

From target points and edge stations (see `tests.simulation.bench` and `.hand`), through the program's own survey,
views and readings. The truth is the straight line that the fence made, so that the edge's roughness counts as the
error it is.
"""

from __future__ import annotations

import argparse
import itertools
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tests.simulation.bench import Workpiece, sawn_piece, shoot_piece, workshop
from tests.simulation.hand import DEVELOPED, HANDS, MILD, OTHERWISE, STEADY, Setting
from visioncheck.errors import Refusal
from visioncheck.fence.of_piece import _panel_error
from visioncheck.reading.model import Reading
from visioncheck.reading.piece import Piece, long_edge, read_corners, read_edges, read_taper, read_widths
from visioncheck.saw import Saw

KINDS = ("corner", "panel", "strip")
LEAST_HELD, MOST_HELD, WIDEST = 0.90, 0.99, 3.0


@dataclass(frozen=True)
class Score:
    """One reading against its truth: which, its error and its stated 95 %, in its own unit; or why it was refused."""

    what: str
    error: float
    stated: float
    refused: str = ""


@dataclass(frozen=True)
class Row:
    """All readings of one kind; `beyond` counts the errors larger than twice the stated 95 %."""

    what: str
    count: int
    refused: int
    held: float
    beyond: int
    rms_error: float
    median_stated: float

    @property
    def ratio(self) -> float:
        """Median stated ± over the rms error: 1.96 for a normal error known exactly."""
        return self.median_stated / self.rms_error

    @property
    def sound(self) -> bool:
        """Neither too small nor vacuous."""
        return LEAST_HELD <= self.held <= MOST_HELD and self.ratio <= WIDEST


def simulate(rigs: int, each: int, setting: Setting, photos: int = 8, seed: int = 2026) -> list[Score]:
    """Take `each` photos of every kind of piece with each of `rigs` users' phones and prints, with and without rig."""
    scores: list[Score] = []
    for number in range(rigs):
        shop = workshop(seed + number, setting, photos)
        rng = np.random.default_rng([seed, number])
        for kind in KINDS * each:
            piece = sawn_piece(kind, rng)
            for label in ("rig", "no rig"):
                if label == "rig" and shop.rig is None:
                    scores.append(_refused(kind, label, f"survey: {shop.refused}"))
                    continue
                try:
                    shape = shoot_piece(piece, shop, shop.rig if label == "rig" else None, rng)
                except Refusal as error:
                    scores.append(_refused(kind, label, str(error)))
                    continue
                scores += [Score(f"{what}, {label}", error, stated) for what, error, stated in _readings(piece, shape)]
    return scores


def _refused(kind: str, label: str, why: str) -> Score:
    first = {"corner": "corner deg", "panel": "panel e deg", "strip": "taper deg"}[kind]
    return Score(f"{first}, {label}", np.nan, np.nan, why)


def _readings(piece: Workpiece, shape: Piece) -> Iterator[tuple[str, float, float]]:
    if piece.kind == "corner":
        angle = read_corners(shape)[0].angle
        yield "corner deg", angle.value - float(piece.angles_deg[0]), angle.expanded()
    elif piece.kind == "panel":
        found = _panel_error(_bare(shape), shape, Saw()).fence_error
        assert found is not None
        yield "panel e deg", found.value - piece.error_deg, found.expanded()
    else:
        taper = read_taper(shape)
        yield "taper deg", taper.value - _taper_deg(piece, long_edge(shape)), taper.expanded()
        middle = read_widths(shape)[1].width
        yield "width mm", middle.value - _width_mm(piece), middle.expanded()


def _bare(shape: Piece) -> Reading:
    return Reading("simulated", "panel", read_edges(shape), read_corners(shape), fence_edge=0)


def _taper_deg(piece: Workpiece, first: int) -> float:
    corners = np.roll(piece.corners_mm, -first, axis=0)
    a, b = corners[1] - corners[0], corners[2] - corners[3]
    return float(np.degrees(np.arctan2(a[1] * b[0] - a[0] * b[1], a @ b)))


def _width_mm(piece: Workpiece) -> float:
    """Width square to the middle line, half way along."""
    sides = np.roll(piece.corners_mm, -1, axis=0) - piece.corners_mm
    first = 0 if np.linalg.norm(sides[0]) > np.linalg.norm(sides[1]) else 1
    a, b, c, d = np.roll(piece.corners_mm, -first, axis=0)
    middle = ((a + d) / 2 + (b + c) / 2) / 2
    along = (b + c - a - d) / np.linalg.norm(b + c - a - d)
    normal = np.array([-along[1], along[0]])
    reach = [np.linalg.solve(np.column_stack([normal, q - p]), p - middle)[0] for p, q in ((a, b), (d, c))]
    return float(abs(reach[0] - reach[1]))


def table(scores: list[Score]) -> list[Row]:
    """One row for each kind of reading, with a rig and without."""
    rows = []
    for what in dict.fromkeys(score.what for score in scores):
        own = [score for score in scores if score.what == what]
        read = [score for score in own if not score.refused]
        error, stated = np.abs([s.error for s in read]), np.array([s.stated for s in read])
        if not read:
            rows.append(Row(what, len(own), len(own), np.nan, 0, np.nan, np.nan))
            continue
        held, beyond = float(np.mean(error <= stated)), int(np.sum(error > 2 * stated))
        rms = float(np.sqrt(np.mean(error**2)))
        rows.append(Row(what, len(own), len(own) - len(read), held, beyond, rms, float(np.median(stated))))
    return rows


def said(row: Row) -> str:
    """Write a row of the table."""
    return (
        f"{row.what:22} {row.count:5} {row.refused:5} {100 * row.held:6.1f} % {row.beyond:4} {row.rms_error:9.4f}"
        f" {row.median_stated:9.4f} {row.ratio:6.2f}{'' if row.sound else '  NOT SOUND'}"
    )


HEADER = f"{'':22} {'n':>5} {'ref.':>5} {'held':>8} {'> 2×':>4} {'rms error':>9} {'median ±':>9} {'ratio':>6}"


def settings_of(hands: Sequence[str]) -> list[Setting]:
    """Every hand with a mild and a developed picture; the developed one with what is assumed otherwise too."""
    return [
        Setting(hand, picture, habits)
        for hand, picture, habits in itertools.product(HANDS, (MILD, DEVELOPED), (STEADY, OTHERWISE))
        if hand.name in hands and (habits is STEADY or picture is DEVELOPED)
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    names = [hand.name for hand in HANDS]
    parser.add_argument("--hands", nargs="+", choices=names, default=names)
    parser.add_argument("--rigs", type=int, default=20, help="users, each with a phone and a print")
    parser.add_argument("--each", type=int, default=6, help="photos of each kind of piece with each")
    parser.add_argument("--photos", type=int, default=8, help="of the bare sheet, in each survey")
    told = parser.parse_args()
    for setting in settings_of(told.hands):
        scores = simulate(told.rigs, told.each, setting, told.photos)
        print(f"\n{setting.name}; {told.photos} survey photos\n{HEADER}")
        for row in table(scores):
            print(said(row))
        for reason, count in Counter(score.refused for score in scores if score.refused).most_common():
            print(f"  refused {count}: {reason}")


if __name__ == "__main__":
    main()
