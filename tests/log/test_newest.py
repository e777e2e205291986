"""Wherever the log is asked for the newest, it is the newest that counts, not the oldest, nor the one written last."""

from __future__ import annotations

from tests.log.conftest import SLED_TEXT, make_draft, make_photo, typed_draft
from visioncheck.fence.typed import compute_typed
from visioncheck.log.standing import find_standing, newest_reading
from visioncheck.results.as_json import typed_json


def test_the_newest_reading_is_the_one_with_the_latest_time(log):
    # written in another order than taken
    middle, newest, oldest = (log.attach(typed_draft(0.01 * days, days=days)) for days in (5, 9, 1))
    entries = list(log.entries())
    assert newest_reading(entries).id == newest.id
    assert [entry.id for entry in log.entries(limit=2)] == [middle.id, newest.id]
    for older in (oldest, middle):
        assert find_standing(log.get(older.id), entries).newer == newest.id


def test_what_stands_in_for_a_reading_is_the_newest_of_three(log):
    first, _, last = (log.attach(typed_draft(days=days)) for days in (0, 1, 2))
    log.attach(typed_draft(days=3, corrects=last.id))
    stands = find_standing(log.get(first.id), log.entries())
    assert (stands.state, log.get(stands.newer).corrects) == ("older", last.id)


def test_the_sled_counts_as_it_was_kept_last(log):
    for days, end in ((5, "five"), (9, "nine"), (1, "one")):
        log.attach(typed_draft(days=days, sled_text=f"{SLED_TEXT}# {end}\n"))
    assert log.sled_text("Long sled").endswith("# nine\n")


def a_slot():
    width = {"at_mm": 10.0, "value": 2.9, "u": 0.01, "dof": None}
    photo = {"schema": 2, "kind": "slot", "piece": "slot", "photo": "a.jpg", "status": "measured"}
    return photo | {"flags": [], "doubts": [], "corners": [], "width_mm": [width]}


def a_tilt(angle):
    return typed_json(compute_typed({"bevel": f"{angle:.2f}"}), None)


def test_a_reading_of_another_quantity_makes_none_older(log, tmp_path):
    """A slot's width, and the blade's tilt, were said to be old beside a newer fence error."""
    slot = log.attach(make_draft(reading=a_slot()), make_photo(tmp_path))
    other = log.attach(make_draft(days=1, reading=a_slot()), make_photo(tmp_path))
    tilt = log.attach(typed_draft(days=2, reading=a_tilt(90.2)))
    fence = log.attach(typed_draft(days=3))
    entries = list(log.entries())
    for each in (slot, other, tilt, fence):
        assert find_standing(log.get(each.id), entries).state == "newest"
    again = log.attach(typed_draft(days=4, reading=a_tilt(90.1)))
    entries = list(log.entries())
    assert find_standing(log.get(tilt.id), entries).newer == again.id
    assert find_standing(log.get(fence.id), entries).state == "newest"
