"""Which readings are of one piece, and what they have alike."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pytest

from visioncheck.quantity import Quantity
from visioncheck.results.pieces import Record, seen_from_records

START = datetime(2026, 3, 1, 9, tzinfo=UTC)


def photo(name, width=120.0, height=80.0, turned=False, cut=None, budget=None, minutes=0, **more):
    if turned:
        width, height = height, width
    places = [(0, 0), (width, 0), (width, height), (0, height)]
    found = {"kind": "corner", "piece": "corner", "flags": [], "corners": [{"x_mm": x, "y_mm": y} for x, y in places]}
    found |= {"budget_deg": budget or {}} | ({"told": {"cut": cut}} if cut else {}) | more
    return Record(name, Quantity(0.02, 0.005, "deg"), found, "rig", START + timedelta(minutes=minutes))


def typed(name, minutes, piece="strip"):
    return Record(
        name, Quantity(0.02, 0.005, "deg"), {"kind": "typed", "piece": piece}, "", START + timedelta(minutes=minutes)
    )


def pieces(*records):
    return [seen.piece for seen in seen_from_records(records)]


def test_photos_of_one_size_are_of_one_piece_however_it_lay():
    one, other, turned = photo("a"), photo("b", 117.0), photo("c", 120.3, 80.2, turned=True)
    assert pieces(one, other, turned) == ["piece 1", "piece 2", "piece 1"]


def test_what_is_told_goes_before_sizes():
    assert pieces(photo("a"), photo("b", cut="fresh")) == ["piece 1", "piece 2"]
    assert pieces(photo("a"), photo("b", 90.0, cut="same")) == ["piece 1", "piece 1"]
    assert pieces(photo("a", cut="same")) == ["piece 1"]


def test_typed_readings_of_one_kind_at_one_time_are_of_one_piece():
    assert pieces(typed("a", 0), typed("b", 5), typed("c", 60), typed("d", 61, "corner")) == [
        *("piece 1", "piece 1", "piece 3", "piece 4")
    ]


def test_a_photo_and_a_typed_reading_are_not_compared():
    assert pieces(photo("a"), typed("b", 1, "corner")) == ["piece 1", "piece 2"]


def test_alike_parts_come_from_the_budget_scaled_to_the_fence_error():
    """A strip's budget is its taper's, four times the fence error's: 0.02² = 0.012² + 0.016², here to 0.005."""
    (seen,) = seen_from_records([photo("a", budget={"print survey": 0.012, "edge": 0.016})])
    assert seen.alike == {"print survey of rig": pytest.approx(0.003), "edge of piece 1": pytest.approx(0.004)}
    (bare,) = seen_from_records([photo("a", budget={"lens": 0.02}, flags=["no-rig"])])
    assert list(bare.alike) == ["lens of no survey"]


def test_half_of_a_protractors_variance_is_its_own():
    (seen,) = seen_from_records([typed("a", 0, "corner")])
    assert seen.alike == {"protractor": pytest.approx(0.005 * math.sqrt(0.5))}
