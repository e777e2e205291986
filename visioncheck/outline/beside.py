"""What lies beside a slot: further slots in the same board, or the lit floor of the groove whose side it may be."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.lens import GREEN
from visioncheck.outline.guide import Guide
from visioncheck.outline.slot import PITCH_MM, Patch, RoughSlot, find_slot
from visioncheck.outline.walls import look_beside

Array = NDArray[np.float64]

_MOST = 12
"""So many slots are told apart: more than a test board has."""
_COVER_MM = 2.5
"""So far beyond its sides a slot is left out: blur, a broken arris, a rough width."""
_BESIDE_MM: Array = np.arange(1.0, 4.1, 0.25)


def other_slots(patch: Patch, own: RoughSlot) -> tuple[RoughSlot, ...]:
    """Further slots in the work than its own, the longest dark lines first; each at least half as long.

    Parameters
    ----------
    patch : Patch
        The work from above.
    own : RoughSlot
        The slot that was found, plane of the paper.
    """
    found: list[RoughSlot] = []
    rest = _without(patch, own)
    for _ in range(_MOST - 1):
        another = find_slot(rest)
        if another is None or another.line.length_mm < checks.SLOT_ANOTHER_SHARE * own.line.length_mm:
            break
        found.append(another)
        rest = _without(rest, another)
    return tuple(found)


def alone(patch: Patch, slots: tuple[RoughSlot, ...], number: int) -> Patch:
    """The work with all slots but one left out, counted from 1."""
    for k, slot in enumerate(slots, start=1):
        if k != number:
            patch = _without(patch, slot)
    return patch


def in_reading_order(places_px: Array) -> NDArray[np.intp]:
    """Numbers, from the left to the right, or from the top down where they lie farther apart that way.

    Parameters
    ----------
    places_px : (n, 2) ndarray
        Places in the picture as it is shown.
    """
    across, down = np.ptp(places_px, axis=0)
    return np.argsort(places_px[:, 0] if across >= down else places_px[:, 1], kind="stable")


def corners_of(slot: RoughSlot) -> Array:
    """Outline (4, 2), mm, plane of the paper."""
    return _outline(slot, 0.0)


def step_across(patch: Patch, walls: tuple[Guide, Guide]) -> float:
    """How much lighter it is beside one wall than beside the other, natural log of light, without its sign.

    Parameters
    ----------
    patch : Patch
        The work from above.
    walls : tuple of Guide
        Each with the slot at its normal.
    """
    green = patch.log_light[..., GREEN]
    first, second = (float(np.median(look_beside(patch, green, wall, -_BESIDE_MM))) for wall in walls)
    return abs(first - second)


def _without(patch: Patch, slot: RoughSlot) -> Patch:
    """The work with a slot left out."""
    drawn = np.zeros(patch.covered.shape, np.uint8)
    corners = (_outline(slot, _COVER_MM) - patch.corner_mm) / PITCH_MM
    cv2.fillConvexPoly(drawn, corners.round().astype(np.int32), 1)
    return replace(patch, covered=patch.covered | (drawn > 0))


def _outline(slot: RoughSlot, grown_mm: float) -> Array:
    low, high = slot.low_mm - grown_mm, slot.high_mm + grown_mm
    at = np.array([-grown_mm, slot.line.length_mm + grown_mm])
    return slot.line.points(at[[0, 1, 1, 0]], np.array([low, low, high, high]))
