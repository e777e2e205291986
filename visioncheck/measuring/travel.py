"""From photos of slots to what they tell of the blade against the sled's travel."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.errors import UserError
from visioncheck.fence.travel import CutSlot, Travel, assess_travel
from visioncheck.quantity import Quantity

if TYPE_CHECKING:
    from visioncheck.measuring.measure import Outcome
    from visioncheck.reading.model import Reading


def travel_from_slots(lifted: Outcome, other_end: Outcome | None = None, pulled_back: Outcome | None = None) -> Travel:
    """Say what measured slots tell; the blade's marked width is the sled's, where it says one.

    Raises
    ------
    UserError
        One of them could not be measured (its reason), or is no slot.
    """
    first, other, pulled = (None if each is None else _cut_slot(each) for each in (lifted, other_end, pulled_back))
    assert first is not None  # it is given
    sled = lifted.request.sled
    marked = None if sled is None or sled.tip_width_mm is None else Quantity(sled.tip_width_mm, 0.0, "mm")
    return assess_travel(first, other, pulled, marked)


def _cut_slot(outcome: Outcome) -> CutSlot:
    if outcome.measured is None:
        assert outcome.problem is not None  # else there is a reading
        raise outcome.problem
    reading = outcome.measured.reading
    if reading.slot is None or reading.taper is None or reading.piece != "slot":
        raise UserError("shows no slot that ends in the board").of(outcome.request.photo.name)
    return cut_slot(reading)


def cut_slot(reading: Reading) -> CutSlot:
    """Take a slot's reading as the operator sees the slot, from its inner end; the reading looks from its open one."""
    assert reading.slot is not None and reading.taper is not None  # noqa: PT018 - a slot has both
    right, left = reading.slot.walls
    return CutSlot(
        taper=reading.taper.scaled(-1.0, "deg"),
        open_mm=reading.widths[0].width,
        end_mm=reading.widths[-1].width,
        scatter_mm=(left.scatter_mm, right.scatter_mm),
        bows_mm=(left.bow, right.bow),
    )
