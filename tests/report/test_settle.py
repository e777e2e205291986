"""What is said to settle an open verdict, from what repeats share and what they do not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.report.hand_made import SLED, corner_piece
from visioncheck.fence.decision import Verdict, decide
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading, Turned
from visioncheck.report.lines import reading_lines
from visioncheck.report.settle import how_to_settle

T = SLED.tolerance_deg  # 0.01°


def reading(value: float, **budget: float) -> Reading:
    u = sum(part**2 for part in budget.values()) ** 0.5
    named = {source.replace("_", " "): part for source, part in budget.items()}
    return replace(corner_piece(), fence_error=Quantity(value, u, "deg"), budget=named, flags=())


def test_what_changes_from_photo_to_photo_is_averaged() -> None:
    # 1.645 · 0.004/√n ≤ 0.0025: n = 6.9
    assert "about 7 readings" in str(how_to_settle(reading(0.0075, edge=0.004), T))


def test_what_photos_share_is_not() -> None:
    shared = reading(0.0075, edge=0.001, print_survey=0.004)
    assert decide(shared.fence_error, T).verdict is Verdict.CANNOT_TELL
    said = str(how_to_settle(shared, T))
    assert "repeats share what is doubtful: survey again" in said
    assert "--turned" in said
    turned = replace(shared, turned=Turned("b.jpg", 90.0, surveyed=False))
    assert "visioncheck survey" in str(how_to_settle(turned, T))
    assert "--turned" not in str(how_to_settle(turned, T))


def test_an_error_on_the_limit_is_not_chased() -> None:
    assert "correct it or leave it" in str(how_to_settle(reading(0.00998, edge=0.004), T))


def test_it_stands_in_the_report() -> None:
    said = {line.label: line.text for line in reading_lines(reading(0.0075, edge=0.004), SLED)}
    assert said["Do"] == how_to_settle(reading(0.0075, edge=0.004), T)
    assert "can't tell" in said["Verdict"]
    assert how_to_settle(replace(reading(0.0075), budget={}), T) is None


def test_shares_add_up_for_a_strip_too() -> None:
    # the budget is the taper's, four times the fence error's: the shares are what counts
    strip = replace(reading(0.0075, edge=0.016), fence_error=Quantity(0.0075, 0.004, "deg"))
    assert how_to_settle(strip, T) == how_to_settle(reading(0.0075, edge=0.004), T)
    assert decide(strip.fence_error, T).probability_inside == pytest.approx(0.734, abs=0.01)
