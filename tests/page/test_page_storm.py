"""A small storm; the large one is ``python -m tests.page.storm``."""

from __future__ import annotations

import pytest

from tests.page.storm import Storm, weather


@pytest.mark.photos
def test_every_photo_is_answered_and_none_twice_through_cuts_and_a_kill(tmp_path):
    storm = weather(tmp_path, photos=8, phones=4, kills=1, within_s=200)
    assert storm.wrong == [], storm
    assert storm.kills == 1
    assert storm.sendings > 8


def test_what_should_not_be_is_noticed():
    bad = Storm(2, jobs={0: "a", 1: "a"}, spooled=1, entries=3, photos_in_log=2)
    assert len(bad.wrong) == 5
