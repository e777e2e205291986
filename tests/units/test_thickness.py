"""A thickness as typed, and how well it is taken to be known."""

from __future__ import annotations

import math

import pytest

from visioncheck.errors import UserError
from visioncheck.measuring.options import read_piece_options
from visioncheck.quantity import Quantity


def thickness(text: str, units=None) -> Quantity:
    told = read_piece_options(units, thickness=text).thickness
    assert told is not None
    return told


@pytest.mark.parametrize(
    "text", ["12.3mm±0.1mm", "12.3mm ± 0.1mm", "12.3mm+-0.1mm", "12.3 mm +/- 0.1 mm", "1.23cm±100/1000mm"]
)
def test_a_told_doubt_is_the_95_percent_interval(text):
    told = thickness(text)
    assert told.value == pytest.approx(12.3)
    assert told.expanded() == pytest.approx(0.1, rel=1e-6)


def test_the_doubt_takes_the_worlds_unit_and_either_world():
    assert thickness("0.72±0.004", "in").expanded() == pytest.approx(0.004 * 25.4)
    assert thickness("3/4in±10thou").expanded() == pytest.approx(0.254)
    assert thickness('23/32"±1/64"').value == pytest.approx(18.25625)


@pytest.mark.parametrize(
    ("text", "step_mm"),
    [
        # JCGM 100:2008, 4.3.7 and F.2.2.1: a resolution d has the standard uncertainty d/sqrt(12) = 0.29 d
        ("12mm", 1.0),
        ("12.3mm", 0.1),
        ("12.30mm", 0.01),
        ("1.8cm", 1.0),
        ("0.72in", 0.254),
        ("0.7215in", 0.00254),
        ("722thou", 0.0254),
        ("3/4in", 25.4 / 32),
        ('1 1/8"', 25.4 / 32),
        ("47/64in", 25.4 / 64),
    ],
)
def test_without_one_it_is_as_well_known_as_it_was_typed(text, step_mm):
    assert thickness(text).u == pytest.approx(math.hypot(step_mm / math.sqrt(12), 0.05), rel=1e-9)


def test_no_two_ways_of_typing_are_taken_alike():
    assert thickness("12.3mm").expanded() < 0.12
    assert 0.5 < thickness("12mm").expanded() < 0.6


@pytest.mark.parametrize(
    "text", ["12.3mm±", "12.3mm±0mm", "12.3mm±-0.1mm", "12.3mm±13mm", "±0.1mm", "12mm±0.1", "12±0.1mm±1mm"]
)
def test_what_is_no_doubt_is_refused_in_one_sentence(text):
    with pytest.raises(UserError, match="thickness") as refused:
        thickness(text)
    assert "\n" not in str(refused.value)
