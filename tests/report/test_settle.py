"""What is said to settle an open verdict, from what repeats share and what they do not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.report.hand_made import SLED, corner_piece
from visioncheck.codes import Doubt
from visioncheck.correction.correct import Correction, correct
from visioncheck.present.reading import reading_lines
from visioncheck.quantity import Quantity
from visioncheck.reading.model import Reading, Turned
from visioncheck.results.basis import basis_from_reading

T = SLED.tolerance_deg  # 0.01°


def reading(value: float, **budget: float) -> Reading:
    u = sum(part**2 for part in budget.values()) ** 0.5
    named = {source.replace("_", " "): part for source, part in budget.items()}
    return replace(corner_piece(), fence_error=Quantity(value, u, "deg"), budget=named, doubts=())


def decided(found: Reading) -> Correction:
    assert found.fence_error is not None
    return correct(found.fence_error, SLED, basis_from_reading(found))


def test_what_changes_from_photo_to_photo_is_averaged() -> None:
    step = decided(reading(0.0105, edge=0.0036)).next_step
    assert step is not None
    # at the limit a move helps for certain from u = 0.0105 / 3.29 on; the mean of a few has that
    assert step.code == "repeats"
    assert step.u_deg == pytest.approx(0.0036 / step.count**0.5)


def test_what_photos_share_is_not() -> None:
    step = decided(reading(0.0075, edge=0.001, print_survey=0.004)).next_step
    assert step is not None
    assert step.code == "strip"


def test_without_a_survey_the_same_piece_turned_comes_first() -> None:
    alone = replace(reading(0.03, edge=0.003, print_survey=0.1), doubts=(Doubt("no-rig"),))
    step = decided(alone).next_step
    assert step is not None
    assert step.code == "quarter turn"
    assert 0.003 < step.u_deg < 0.01
    turned = replace(reading(0.03, edge=0.03, print_survey=0.005), turned=Turned("b.jpg", 90.0, surveyed=False))
    step = decided(turned).next_step
    assert step is not None
    assert step.code != "quarter turn"


def test_an_error_on_the_limit_is_not_left_to_taste() -> None:
    done = decided(reading(0.0102, edge=0.002))
    assert done.now.probability_inside < 0.5
    assert done.advice == "move it"
    said = {line.label: line.text for line in reading_lines(reading(0.0102, edge=0.002), SLED)}
    assert "as you like" not in said["Do"]
    assert said["Do"].startswith("move the fence")


def test_shares_add_up_for_a_strip_too() -> None:
    # the budget is the taper's, four times the fence error's: the shares are what counts
    strip = replace(reading(0.0105, edge=0.0144), fence_error=Quantity(0.0105, 0.0036, "deg"))
    one, other = decided(strip).next_step, decided(reading(0.0105, edge=0.0036)).next_step
    assert one == other
