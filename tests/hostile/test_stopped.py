"""Commands stopped at random; many more with `pytest --kills COUNT`."""

from __future__ import annotations

from tests.hostile.stopped import main


def test_commands_stopped_at_random_lose_nothing(kills, capsys):
    main(kills, seed=20260301)
    assert f"{kills} commands" in capsys.readouterr().out
