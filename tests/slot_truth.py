"""A reading of a slot or a gap against the exact truth of its photo."""

from __future__ import annotations

import numpy as np

from visioncheck.reading.model import Reading

SLOTS = {"kerf": "slot", "gap": "gap"}


def walls_of(truth: dict, line: str = "as_cut") -> tuple[np.ndarray, np.ndarray]:
    """Both walls as cut, or as the saw was led (`polygon`), (2, 2) each, running the same way."""
    if truth["type"] == "kerf":
        slot = np.array(truth["slot_as_cut" if line == "as_cut" else "slot"])
        return slot[[0, 1]], slot[[3, 2]]
    first, second = (np.array(piece[line]) for piece in truth["pieces"])
    return first[[1, 2]], second[[0, 3]]


def true_width(truth: dict, at_mm: np.ndarray, line: str = "as_cut") -> float:
    """Width at a place, square to the first wall."""
    first, second = walls_of(truth, line)
    along = (first[1] - first[0]) / np.linalg.norm(first[1] - first[0])
    normal = np.array([-along[1], along[0]])

    def off(wall: np.ndarray) -> float:
        run = wall[1] - wall[0]
        return float(np.linalg.solve(np.column_stack([normal, -run]), wall[0] - at_mm)[0])

    return abs(off(second) - off(first))


def slot_scores(reading: Reading, truth: dict, line: str = "as_cut") -> list[tuple[str, float, float, str]]:
    """What is scored, its error, its stated 95 % and the unit of both."""
    corners = np.array([corner.at_mm for corner in reading.corners])
    start, end = (corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2
    middle = reading.widths[len(reading.widths) // 2].width
    widening = true_width(truth, end, line) - true_width(truth, start, line)
    width = (
        f"{reading.piece} width",
        middle.value - true_width(truth, (start + end) / 2, line),
        middle.expanded(),
        "mm",
    )
    assert reading.slot is not None
    assert reading.taper is not None
    if reading.piece == "gap":
        wedge = float(np.degrees(widening / reading.slot.length_mm))
        return [width, ("wedge", reading.taper.value - wedge, reading.taper.expanded(), "deg")]
    found = reading.slot.widening
    return [width, ("slot taper", found.value - widening, found.expanded(), "mm")]
