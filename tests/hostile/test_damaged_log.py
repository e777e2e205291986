"""A log damaged at random: found, named, survived; many more with `python -m tests.hostile.damaged_log COUNT`."""

from __future__ import annotations

from tests.hostile.damaged_log import main


def test_damaged_logs_are_survived_and_named(capsys):
    main(60, seed=20260301)
    assert "none ended in a traceback or lost a photo" in capsys.readouterr().out
