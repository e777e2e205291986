"""A year of one sled, simulated: a screw with play that turns the other way than its file says, a bump, a drift, and
three people who do what the program says."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from visioncheck.correction.means import Turns
from visioncheck.log.entry import EntryDraft
from visioncheck.log.now import now_from_entries
from visioncheck.log.store import Log
from visioncheck.present.correction import format_means, format_turn
from visioncheck.present.now import history_line, now_lines
from visioncheck.present.report_page import report_page
from visioncheck.sled.file import parse_sled

TEXT = (Path(__file__).parents[2] / "fixtures" / "sleds" / "alder-lane.toml").read_text()
SLED = parse_sled(TEXT, "")
START = datetime(2025, 1, 6, 9, tzinfo=UTC)
U_DEG, SCATTER_DEG, PLAY_MM = 0.002, 0.002, 0.3
PEOPLE = ("Ida", "Tomas", "Wren")


@dataclass
class Shop:
    """The sled as it truly is, and what its people note in the log."""

    log: Log
    error_deg: float
    chance: np.random.Generator
    taken_up_mm: float = 0.0  # how far the play is taken up towards clockwise
    day: float = 0.0
    cuts: int = 0
    outcomes: list[str] = field(default_factory=list)

    def now(self):
        entries = list(self.log.entries(sled=SLED.name))
        return now_from_entries(SLED.name, entries, SLED, START + timedelta(days=self.day))

    def cut(self, adjusted=""):
        self.cuts += 1
        self.day += 0.05
        value = self.error_deg + self.chance.normal(0, math.hypot(U_DEG, SCATTER_DEG))
        found = {"value": float(value), "u": U_DEG, "dof": None, "expanded": 1.96 * U_DEG}
        reading = {"schema": 2, "kind": "typed", "status": "measured", "piece": "strip", "notes": []}
        self.log.attach(
            EntryDraft(
                sled=SLED.name,
                reading=reading | {"fence_error_deg": found},
                kind="typed",
                time=START + timedelta(days=self.day),
                sled_text=TEXT,
                person=PEOPLE[self.cuts % len(PEOPLE)],
                adjusted=adjusted,
            )
        )

    def turn(self, means):
        """Turn the screw: it moves the fence the other way than the file says, once its play is taken up."""
        for step in means.all_steps:
            travel = float(step.turns) * SLED.adjuster.pitch_mm
            if step.way_round == "clockwise":
                lost = min(travel, PLAY_MM - self.taken_up_mm)
                self.taken_up_mm += lost
                moved = -(travel - lost)
            else:
                lost = min(travel, self.taken_up_mm)
                self.taken_up_mm -= lost
                moved = travel - lost
            self.error_deg += math.degrees(moved / SLED.adjuster_distance_mm)

    def check(self):
        """Cut, and do what the program says until it says to leave the fence; how many cuts that took."""
        before, promised = self.cuts, 1
        self.cut()
        while (now := self.now()).correction.advice != "leave it":
            assert self.cuts - before < 14, [each.text for each in now_lines(now)]
            correction = now.correction
            if not correction.moves:
                promised += correction.next_step.count if correction.next_step else 1
                self.cut()
                continue
            assert isinstance(correction.means, Turns)
            self.turn(correction.means)
            promised += 1
            steps = ", then ".join(f"{format_turn(s.turns)} {s.way_round}" for s in correction.means.all_steps)
            self.cut(adjusted=steps)
            self.outcomes.append(self.now().last_move.checked.outcome)
        return self.cuts - before, promised


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    folder = tmp_path_factory.mktemp("year") / "log"
    with Log.open(folder, create=True) as log:
        shop = Shop(log, error_deg=0.09, chance=np.random.default_rng(20250106))
        yield live_a_year(shop)


def live_a_year(shop):
    took = {"first": shop.check()}
    for _ in range(5):
        shop.day += 21
        took["quiet"] = shop.check()
    shop.error_deg -= 0.06  # a bump
    shop.day += 21
    took["bump"] = shop.check()
    for _ in range(3):
        shop.day += 21
        shop.check()
    for _ in range(7):
        shop.error_deg += 0.006  # a drift
        shop.day += 21
        took["drift"] = shop.check()
    shop.day += 21
    took["last"] = shop.check()
    shop.took = took
    return shop


def test_it_ends_square_and_says_so(shop):
    assert shop.day > 350
    assert abs(shop.error_deg) < SLED.tolerance_deg
    now = shop.now()
    # of one story: 95 % of the intervals hold, and none may be far off
    assert abs(now.state.error.value - shop.error_deg) < 2 * now.state.error.expanded()
    assert now.correction.advice == "leave it"
    assert "square" in history_line(now)
    assert "NOT square" not in history_line(now)


def test_no_more_cuts_than_the_plan_promised(shop):
    for took, promised in shop.took.values():
        assert took <= promised
    assert shop.took["first"][0] <= 9
    assert shop.took["bump"][0] <= 6


def test_the_other_way_is_said_and_learnt(shop):
    assert shop.outcomes[0] == "the other way"
    assert "the other way" not in shop.outcomes[1:]
    learned = shop.now().learned
    assert learned.is_reversed
    assert learned.ratio.value == pytest.approx(1, abs=2.5 * learned.ratio.u + 0.02)


def test_play_is_learnt_and_kept_out_of_the_move(shop):
    learned = shop.now().learned
    assert learned.has_play
    assert learned.play.value == pytest.approx(PLAY_MM, abs=2.5 * learned.play.u + 0.02)


def test_the_report_tells_a_stranger(shop):
    text = re.sub(r"<[^>]+>", " ", report_page(shop.log, made=START + timedelta(days=shop.day)))
    text = " ".join(text.split())
    assert "The last adjustment" in text
    assert "Foretold" in text
    assert "the fence turns the other way than the file says" in text
    assert "the screw has play" in text
    assert "Ida" in text
    assert "CHECK DUE" not in text


def test_a_check_is_due_when_nobody_measures(shop):
    entries = list(shop.log.entries(sled=SLED.name))
    later = now_from_entries(SLED.name, entries, SLED, START + timedelta(days=shop.day + 100))
    assert "CHECK DUE" in history_line(later)


def test_steps_are_named_one_after_the_other(shop):
    from visioncheck.correction.correct import correct
    from visioncheck.quantity import Quantity

    learned = shop.now().learned
    both = [correct(Quantity(e, 0.002, "deg"), SLED, None, learned) for e in (0.06, -0.06)]
    said = [format_means(each, SLED) for each in both]
    # one of the two asks for the sense in which the screw was turned last: that one needs no second step
    assert sorted(map(len, said)) == [1, 2]
    (two,) = (each for each in said if len(each) == 2)
    assert "then back" in two[1]
