"""Heel, play and run-out: a blade swept through a board on the computer, and the slot that it leaves measured.

Seen from above, the sled goes forward along +y past a blade that stands still; in the board's frame the blade goes
backwards, from the board's front edge (y = 0, the slot's open end) into the board. x is to the operator's right. The
blade is a segment of length `chord` behind its front, as wide as its teeth, turned by the heel.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.report.hand_made import SLED as MM_SLED
from visioncheck.errors import InputError
from visioncheck.fence.travel import CutSlot, assess_travel, rear_aside, taper_of_widths
from visioncheck.fence.typed import compute_typed
from visioncheck.measuring.travel import cut_slot
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading, SlotReading, WallReading, WidthReading
from visioncheck.results.as_json import typed_json
from visioncheck.results.schema import validate

DEEP, TEETH = 100.0, 2.5
heels = st.floats(-0.4, 0.4)
DEPTHS = np.linspace(0.5, DEEP - 0.5, 60)


def sweep(heel_deg, play=0.0, *, pulled_back=False, chord=140.0, teeth=TEETH):
    """Left and right wall (x of each of `DEPTHS`) of a slot, the board lifted off or pulled back at its end.

    A positive heel sends the rear of the blade to the right. Play shifts the board to the left on its way back.
    """
    lean = math.tan(math.radians(heel_deg))
    left, right = np.full(len(DEPTHS), np.inf), np.full(len(DEPTHS), -np.inf)
    for way in (0.0, play) if pulled_back else (0.0,):
        for reach in np.linspace(0, DEEP, 201):  # how far the blade's front has come into the board
            behind = reach - DEPTHS  # distance from the front to each place, along the blade
            there = (behind >= 0) & (behind <= chord)
            middle = behind * lean + way
            left = np.where(there, np.minimum(left, middle - teeth / 2), left)
            right = np.where(there, np.maximum(right, middle + teeth / 2), right)
    return left, right


def slot_of(left, right, u=1e-6):
    """As two lines are fitted to its walls."""
    lines = [np.polyfit(DEPTHS, wall, 1) for wall in (left, right)]
    width = [float(np.polyval(lines[1], at) - np.polyval(lines[0], at)) for at in (0.0, DEEP)]
    taper = math.degrees(math.atan(lines[0][0]) - math.atan(lines[1][0]))
    return CutSlot(Quantity(taper, u, "deg"), Quantity(width[0], u, "mm"), Quantity(width[1], u, "mm"))


@given(heel=heels)
@settings(max_examples=20, deadline=None)
def test_a_lifted_slot_widens_to_its_open_end_by_the_heel(heel):
    found = assess_travel(slot_of(*sweep(heel)))
    assert found.heel.value == pytest.approx(abs(heel), abs=0.004)
    # one wall runs with the travel
    left, right = sweep(heel)
    straight, oblique = (left, right) if heel > 0 else (right, left)
    assert np.ptp(straight) == pytest.approx(0.0, abs=0.01)
    assert np.ptp(oblique) == pytest.approx(99 * math.tan(math.radians(abs(heel))), abs=0.01)


@given(heel=heels, play=st.floats(0.02, 0.2))
@settings(max_examples=20, deadline=None)
def test_pulling_back_shows_play_and_no_heel(heel, play):
    lifted = slot_of(*sweep(heel))
    same = assess_travel(lifted, pulled_back=slot_of(*sweep(heel, pulled_back=True)))
    assert same.play.value == pytest.approx(0.0, abs=1e-9)
    loose = assess_travel(lifted, pulled_back=slot_of(*sweep(heel, play, pulled_back=True)))
    assert loose.play.value == pytest.approx(play, abs=1e-6)


@given(heel=heels, sheet=st.floats(-0.1, 0.1))
@settings(max_examples=20, deadline=None)
def test_slots_from_both_ends_part_the_board_from_the_blade(heel, sheet):
    """A taper that the sheet adds has one direction in the picture; the two slots lie in it either way round."""
    one = slot_of(*sweep(heel))
    seen = [CutSlot(Quantity(one.taper.value + sign * sheet, 0.01, "deg"), one.open_mm, one.end_mm) for sign in (1, -1)]
    found = assess_travel(*seen)
    assert found.heel.value == pytest.approx(one.taper.value, abs=1e-12)
    assert found.board.value == pytest.approx(sheet, abs=1e-12)
    assert found.heel.u == pytest.approx(0.01 / math.sqrt(2))


def test_run_out_is_what_the_inner_end_has_beyond_the_teeth():
    found = assess_travel(slot_of(*sweep(0.2, teeth=TEETH + 0.08)), tip=Quantity(TEETH, 0.01, "mm"))
    assert found.run_out.value == pytest.approx(0.08, abs=0.005)


def test_stated_intervals_hold():
    rng = np.random.default_rng(4)
    held = dict.fromkeys(("heel", "play"), 0)
    for _ in range(2000):
        heel, sheet, play = abs(rng.normal(0, 0.1)), rng.normal(0, 0.05), abs(rng.normal(0, 0.05))
        tapers = [Quantity(heel + sign * sheet + rng.normal(0, 0.02), 0.02, "deg") for sign in (1, -1)]
        widths = [Quantity(2.6 + extra + rng.normal(0, 0.01), 0.01, "mm") for extra in (0.0, play)]
        end = Quantity(2.5, 0.01, "mm")
        lifted, other = (CutSlot(taper, widths[0], end) for taper in tapers)
        found = assess_travel(lifted, other, CutSlot(tapers[0], widths[1], end))
        held["heel"] += abs(found.heel.value - heel) <= found.heel.expanded()
        held["play"] += abs(found.play.value - play) <= found.play.expanded()
    assert all(0.92 <= count / 2000 <= 0.99 for count in held.values())


def test_a_photos_slot_is_seen_from_its_other_end():
    """The reading looks from the open end along the slot; the operator stands at its inner end."""

    def width(mm):
        return WidthReading(0.0, Quantity(mm, 0.01, "mm"))

    walls = tuple(WallReading(Quantity(bow, 0.001, "mm"), rough) for bow, rough in ((0.03, 0.01), (-0.03, 0.05)))
    told = SlotReading(walls, Quantity(-0.1, 0.01, "mm"), 96.0, True, 0.0, None)
    widths = tuple(width(mm) for mm in (2.6, 2.55, 2.5))
    reading = Reading("a.jpg", "slot", (), (), taper=Quantity(-0.06, 0.01, "deg"), widths=widths, slot=told)
    slot = cut_slot(reading)
    assert slot.taper.value == pytest.approx(0.06)  # narrowing towards the end: wider at the open end
    assert slot.scatter_mm == (0.05, 0.01)
    found = assess_travel(slot)
    assert found.rougher == "left"
    # his right wall bows into the wood, his left one into the slot: both to the right
    assert found.path.value == pytest.approx(0.03)


def test_typed():
    given_ = {"lifted": "2.62mm,2.50mm", "length": "90mm", "u": "0.01mm"}
    found = compute_typed(given_ | {"other_end": "2.60mm;2.48mm", "pulled_back": "2.70mm,2.6mm", "tip": "2.5mm"})
    assert found.travel.heel.value == pytest.approx(math.degrees(math.atan(0.12 / 90)))
    assert found.travel.board.value == pytest.approx(0.0, abs=1e-9)
    assert found.travel.play.value == pytest.approx(0.08)
    kept = typed_json(found, None)
    validate(kept)
    assert "fence_error_deg" not in kept
    with pytest.raises(InputError, match="needs two widths"):
        compute_typed(given_ | {"lifted": "2.62mm"})
    # 0.1° over 250 mm (an arc of a degree is 1/57.2958 of its radius)
    assert rear_aside(Quantity(0.1, 0.0, "deg"), 250.0).value == pytest.approx(250 * 0.1 / 57.2958, rel=1e-5)
    assert taper_of_widths(Quantity(2.5, 0, "mm"), Quantity(2.6, 0, "mm"), 100.0).value < 0


@pytest.mark.parametrize("typed", ["2,62", "2,62mm", "2.62mm", "2,62mm,2,58mm", "2,5; 2,6; 2,7"])
def test_a_decimal_comma_is_not_taken_for_two_widths(typed):
    with pytest.raises(InputError, match="needs two widths"):
        compute_typed({"lifted": typed, "length": "90mm"}, MM_SLED)


def test_two_widths_with_a_comma_or_a_semicolon_are_the_same():
    commas, semicolons = (
        compute_typed({"lifted": typed, "length": "90mm"}, MM_SLED).travel for typed in ("2.62,2.50", "2.62mm; 2.50mm")
    )
    assert commas == semicolons
