"""Commands stopped at random; many more with `python -m tests.hostile.stopped COUNT`."""

from __future__ import annotations

from tests.hostile.stopped import main


def test_commands_stopped_at_random_lose_nothing(capsys):
    main(24, seed=20260301)
    assert "24 commands" in capsys.readouterr().out
