"""How often the trend is right, by simulation: ``python -m tests.log.trend_rates [RUNS]`` prints the guide's table.

Readings come one after another, and the trend is asked after each, as by somebody who looks at every reading. They
scatter as their stated uncertainty says; with few degrees of freedom the stated one is itself drawn (JCGM 100, G.3:
value over u follows Student's t).
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from visioncheck.log.trend import Point, Trend, assess
from visioncheck.quantity import Quantity

START = datetime(2026, 3, 1, 9, tzinfo=UTC)
U_DEG = 0.004


@dataclass(frozen=True)
class Habit:
    """How readings are taken: degrees of freedom, u alike or from half to five times, times, scatter beyond u."""

    dof: float = 50.0
    unequal: bool = False
    irregular: bool = False
    scatter_in_u: float = 0.0


def take(generator: np.random.Generator, truth_in_u: np.ndarray, habit: Habit) -> list[Point]:
    """Readings of a fence whose error is `truth_in_u` times `U_DEG`, in order of time."""
    count = len(truth_in_u)
    sigma = U_DEG * (generator.choice([0.5, 1, 1, 2, 5], count) if habit.unequal else np.ones(count))
    scatter = np.hypot(sigma, habit.scatter_in_u * U_DEG)
    value = truth_in_u * U_DEG + generator.normal(0, 1, count) * scatter
    stated = sigma * np.sqrt(generator.chisquare(habit.dof, count) / habit.dof) if np.isfinite(habit.dof) else sigma
    gaps = 7 * generator.exponential(1, count) ** 1.5 if habit.irregular else np.full(count, 7.0)
    days = np.cumsum(gaps)
    return [
        Point(START + timedelta(days=float(day)), Quantity(float(v), float(u), "deg", habit.dof))
        for day, v, u in zip(days, value, stated, strict=True)
    ]


def called(trend: Trend) -> bool:
    """Say whether a move is called."""
    return trend.state in ("moved", "drifted")


def false_alarms(seed: int, runs: int, habit: Habit, readings: int = 24) -> float:
    """Share of the runs in which a fence that stays is ever called moved, asked after each of the readings."""
    generator = np.random.default_rng(seed)
    rows = [take(generator, np.zeros(readings), habit) for _ in range(runs)]
    return sum(any(called(assess(row[:n])) for n in range(2, readings + 1)) for row in rows) / runs


def steps_called(seed: int, runs: int, before: int, habit: Habit, size_in_u: float = 5.0) -> float:
    """Share of steps after `before` readings that are called within three more."""
    generator = np.random.default_rng(seed)
    truth = np.repeat([0.0, size_in_u], [before, 3])
    rows = [take(generator, truth, habit) for _ in range(runs)]
    return sum(any(called(assess(row[:n])) for n in range(before + 1, before + 4)) for row in rows) / runs


def drifts_called(seed: int, runs: int, habit: Habit) -> tuple[float, float]:
    """Share of drifts of five uncertainties over ten readings that are called, and that are called a drift."""
    generator = np.random.default_rng(seed)
    trends = [assess(take(generator, np.linspace(0, 5, 10), habit)) for _ in range(runs)]
    return sum(map(called, trends)) / runs, sum(trend.state == "drifted" for trend in trends) / runs


def odd_told(seed: int, runs: int, habit: Habit) -> tuple[float, float]:
    """Share of rows with one reading off by 8 u in which it is told as odd, and in which a move is called."""
    generator = np.random.default_rng(seed)
    told = moved = 0
    for _ in range(runs):
        count = int(generator.integers(5, 15))
        at = int(generator.integers(1, count - 1))
        row = take(generator, np.where(np.arange(count) == at, 8.0, 0.0), habit)
        trend = assess(row)
        told += [odd.point for odd in trend.odd] == [row[at]]
        moved += called(trend)
    return told / runs, moved / runs


def main(runs: int) -> None:
    """Print the table."""
    usual = Habit()
    print("| simulated | share |\n| --- | --- |")
    for before in (1, 2, 3, 5, 10, 20):
        print(
            f"| step of 5 u after {before} readings, called within 3 | {steps_called(1, runs, before, usual):.1%} |",
            flush=True,
        )
    found, named = drifts_called(2, runs, usual)
    print(f"| drift of 5 u over 10 readings, called (named a drift) | {found:.1%} ({named:.1%}) |", flush=True)
    told, moved = odd_told(3, runs, usual)
    print(f"| one of 5 to 14 readings off by 8 u: told as odd (a move called) | {told:.1%} ({moved:.1%}) |", flush=True)
    habits = {
        "as stated": usual,
        "infinite degrees of freedom": Habit(dof=np.inf),
        "10 degrees of freedom": Habit(dof=10),
        "4 degrees of freedom": Habit(dof=4),
        "u from 0.5 to 5 times": Habit(unequal=True),
        "irregular times": Habit(irregular=True),
        "scatter beyond u, as large as u": Habit(scatter_in_u=1.0),
        "scatter beyond u, three times u": Habit(scatter_in_u=3.0),
    }
    for name, habit in habits.items():
        print(f"| false alarm in 24 readings, {name} | {false_alarms(4, runs, habit):.1%} |", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
