"""Do the stated 95 % intervals hold the truth? A seeded simulation: `python -m tests.coverage [--rigs N] [--each N]`.

From target points and edge stations (see `tests.simulation.bench`), through the program's own survey, views and
readings. The truth is the straight line that the fence made, so that the edge's roughness counts as the error it is.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tests.simulation.bench import Workpiece, rig_of_user, sawn_piece, shoot_piece
from visioncheck.fence.of_piece import _panel_error
from visioncheck.fence.signs import Saw
from visioncheck.reading.model import Reading
from visioncheck.reading.piece import Piece, long_edge, read_corners, read_edges, read_taper, read_widths

KINDS = ("corner", "panel", "strip")
LEAST_HELD, MOST_HELD, WIDEST = 0.90, 0.99, 3.0


@dataclass(frozen=True)
class Score:
    """One reading against its truth: which, its error and its stated 95 %, in its own unit."""

    what: str
    error: float
    stated: float


@dataclass(frozen=True)
class Row:
    """All readings of one kind."""

    what: str
    count: int
    held: float
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


def simulate(rigs: int, each: int, seed: int = 2026) -> list[Score]:
    """Take `each` photos of every kind of piece with each of `rigs` users' phones and prints, with and without rig."""
    scores: list[Score] = []
    for user in range(rigs):
        printed, rig = rig_of_user(seed + user)
        rng = np.random.default_rng([seed, user])
        for kind in KINDS * each:
            piece = sawn_piece(kind, rng)
            for label, used in (("rig", rig), ("no rig", None)):
                shape = shoot_piece(piece, printed, used, rng)
                scores += [Score(f"{what}, {label}", error, stated) for what, error, stated in _readings(piece, shape)]
    return scores


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
        error, stated = np.array([s.error for s in own]), np.array([s.stated for s in own])
        held = float(np.mean(np.abs(error) <= stated))
        rows.append(Row(what, len(own), held, float(np.sqrt(np.mean(error**2))), float(np.median(stated))))
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=60, help="users, each with a phone and a print")
    parser.add_argument("--each", type=int, default=8, help="photos of each kind of piece with each")
    told = parser.parse_args()
    print(f"{'':22} {'n':>5} {'held':>7} {'rms error':>10} {'median ±':>9} {'ratio':>6}")
    for row in table(simulate(told.rigs, told.each)):
        said = "" if row.sound else "  NOT SOUND"
        print(
            f"{row.what:22} {row.count:5} {100 * row.held:5.1f} % {row.rms_error:10.4f} {row.median_stated:9.4f}"
            f" {row.ratio:6.2f}{said}"
        )


if __name__ == "__main__":
    main()
