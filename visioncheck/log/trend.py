"""Has a sled stayed square since it was last adjusted? Steps, drifts, odd readings, and control limits where it did."""

from __future__ import annotations

import functools
import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from visioncheck import quantity
from visioncheck.log.changes import LIKELY, find_changes
from visioncheck.log.rivals import Scatter
from visioncheck.quantity import Quantity

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from visioncheck.log.changes import Changes
    from visioncheck.log.entry import Entry
    from visioncheck.log.rivals import Change

    Floats = NDArray[np.float64]

# Mean and standard deviation of the range of two normal values with standard deviation one
# (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2; exact for two)
D2 = 2 / math.sqrt(math.pi)
D3 = math.sqrt(2 - 4 / math.pi)
# fewer readings give limits that say nothing (common practice asks for twenty; see `Limits.readings`)
FEWEST_FOR_LIMITS = 5
# the same few degrees of freedom come again and again
coverage_factor = functools.cache(quantity.coverage_factor)

# Probability from which on a move is called: with it a sled that stays has 24 readings without a false alarm in 95 %
# of cases or more, and a step of 5 u is called within three readings in 90 % or more (the guide has the table)
SURE = 0.83
# an uncertainty of nothing is one that was not known
_LEAST_U_DEG = 1e-6

State = Literal["none", "single", "steady", "unsure", "moved", "drifted"]


@dataclass(frozen=True, slots=True)
class Point:
    """One reading of a sled's fence error.

    Attributes
    ----------
    error : Quantity
        In degrees, signed.
    adjusted : str
        What was changed on the sled just before this reading; empty: nothing.
    id : str
        Of the log's entry.
    """

    time: datetime
    error: Quantity
    adjusted: str = ""
    id: str = ""


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of an individuals and moving-range chart, from `readings` readings; all in the readings' unit."""

    mean: float
    lower: float
    upper: float
    range_mean: float
    range_upper: float
    readings: int


@dataclass(frozen=True, slots=True)
class Move:
    """A step or a drift of the fence.

    Attributes
    ----------
    kind : {"step", "drift"}
    size : Quantity
        Change of the fence error in degrees; positive: the right end has gone forward. Of a drift: until now.
    first, last : Point
        A step lies between these two readings; a drift began between them.
    start : Point
        Likeliest: the first reading after the step, or the last one before the drift.
    probability : float
        That the fence has moved, whether by a step or by a drift.
    alone : bool
        A single reading stands before the step; were it odd, nothing moved.
    """

    kind: Literal["step", "drift"]
    size: Quantity
    first: Point
    last: Point
    start: Point
    probability: float
    alone: bool


@dataclass(frozen=True, slots=True)
class Odd:
    """A reading that does not fit the others: how far it is off, in degrees, and how probably."""

    point: Point
    size: Quantity
    probability: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings between two moves: those that are not odd, the level below each, its u, and limits where it is level."""

    points: tuple[Point, ...]
    level_deg: tuple[float, ...]
    level_u_deg: tuple[float, ...]
    drifting: bool
    limits: Limits | None


@dataclass(frozen=True, slots=True)
class Trend:
    """What the readings since an adjustment say.

    Attributes
    ----------
    state : {"none", "single", "steady", "unsure", "moved", "drifted"}
        No reading; one alone; no move to be seen; a move that is likely and not sure; a step; a drift that goes on.
    since : tuple of Point
        The readings since the adjustment, the first after it included.
    change : Quantity or None
        Change of the fence error in degrees from the first of these to the last; positive: the right end has gone
        forward. Of a steady fence: that of a straight line, to tell what could be hidden.
    moves : tuple of Move
        In order of time, those that are sure.
    odd : tuple of Odd
        Readings that do not fit, in order of time; the newest one only where later ones prove it.
    hint : Move or Odd or None
        What is likely and not sure.
    probability : float
        That the fence has moved since.
    stretches : tuple of Stretch
        In order of time.
    """

    state: State
    since: tuple[Point, ...]
    change: Quantity | None = None
    moves: tuple[Move, ...] = ()
    odd: tuple[Odd, ...] = ()
    hint: Move | Odd | None = None
    probability: float = 0.0
    stretches: tuple[Stretch, ...] = ()

    @property
    def limits(self) -> Limits | None:
        """Control limits of the newest stretch; None while it drifts or is short."""
        return self.stretches[-1].limits if self.stretches else None


def trend_points(entries: Iterable[Entry]) -> list[Point]:
    """Take the entries that stand (not corrected by later ones) and have a fence error, in order of time.

    An adjustment noted with an entry that has none counts for the next one that has.
    """
    points: list[Point] = []
    pending: list[str] = []
    for entry in sorted((e for e in entries if e.corrected_by is None), key=lambda e: e.time):
        if entry.adjusted:
            pending.append(entry.adjusted)
        if entry.fence_error is not None:
            points.append(Point(entry.time, entry.fence_error, "; ".join(pending), entry.id))
            pending = []
    return points


def segments(points: Iterable[Point]) -> list[tuple[Point, ...]]:
    """Cut the readings where the sled was adjusted; each part begins with the first reading after it."""
    parts: list[list[Point]] = []
    for point in points:
        if point.adjusted or not parts:
            parts.append([])
        parts[-1].append(point)
    return [tuple(part) for part in parts]


def individuals_limits(values: Sequence[float]) -> Limits:
    """Limits from the mean moving range of two (NIST/SEMATECH e-Handbook, 6.3.2.2).

    The moving range sees the scatter from one reading to the next and little of a slow drift, which is
    why it and not the standard deviation sets the limits.

    Parameters
    ----------
    values : sequence of float
        At least two readings in order of time.
    """
    ranges = [abs(b - a) for a, b in itertools.pairwise(values)]
    mean, range_mean = math.fsum(values) / len(values), math.fsum(ranges) / len(ranges)
    half = 3 * range_mean / D2
    return Limits(mean, mean - half, mean + half, range_mean, range_mean * (1 + 3 * D3 / D2), len(values))


def control_limits(part: Sequence[Point]) -> Limits | None:
    """Limits of readings that keep their level, or None when they are too few."""
    if len(part) < FEWEST_FOR_LIMITS:
        return None
    return individuals_limits([point.error.value for point in part])


def assess(points: Sequence[Point]) -> Trend:
    """Say whether the fence has moved since the last adjustment (`changes` has the method)."""
    trends = assess_all(points)
    return trends[-1] if trends else Trend("none", ())


def assess_all(points: Sequence[Point]) -> list[Trend]:
    """Say for each part between adjustments whether the fence moved in it.

    How far readings scatter beyond their stated uncertainties (another test cut, another seat against the fence) is
    learnt on the way: each part begins with what those before it taught.
    """
    if not points:
        return []
    scatter = Scatter.before_readings(np.array([known_u(point.error) for point in points]))
    trends = []
    for part in segments(points):
        if len(part) == 1:
            trends.append(_single(part))
            continue
        time = np.array([point.time.timestamp() for point in part])
        value = np.array([point.error.value for point in part])
        u = np.array([known_u(point.error) for point in part])
        changes = find_changes(time, value, u, scatter, sure=SURE)
        trends.append(_trend(part, changes, line_change(time, value, np.hypot(u, changes.scatter.rms))))
        scatter = changes.scatter
    return trends


def known_u(error: Quantity) -> float:
    """Give the known standard uncertainty, in degrees, whose 99 % interval is the reading's own by Student's t."""
    factor = coverage_factor(error.dof, 0.99) / coverage_factor(math.inf, 0.99)
    return max(error.u * factor, _LEAST_U_DEG)


def _single(part: tuple[Point, ...]) -> Trend:
    (point,) = part
    return Trend("single", part, stretches=(Stretch(part, (point.error.value,), (point.error.u,), False, None),))


def _trend(part: tuple[Point, ...], changes: Changes, line: Quantity) -> Trend:
    moves = tuple(sorted((_move(part, c) for c in changes.found if c.kind != "odd"), key=lambda move: move.start.time))
    odd = tuple(sorted((_odd(part, c) for c in changes.found if c.kind == "odd"), key=lambda odd: odd.point.time))
    hint = _hint(part, changes.hint)
    if moves:
        state: State = "drifted" if moves[-1].kind == "drift" else "moved"
        change = Quantity(changes.change, changes.change_u, "deg") if len(moves) > 1 else moves[0].size
        probability = max(move.probability for move in moves)
    else:
        state = "steady" if hint is None else "unsure"
        change = line if hint is None else hint.size
        probability = changes.hint.moved if changes.hint else 0.0
    return Trend(state, part, change, moves, odd, hint, probability, _stretches(part, changes, hint))


def _hint(part: Sequence[Point], change: Change | None) -> Move | Odd | None:
    """Take what is likely and not sure; an odd reading that later ones do not follow is no sign of a move."""
    if change is None:
        return None
    if change.kind != "odd":
        return _move(part, change) if change.moved > LIKELY else None
    newest = change.at == len(part) - 1
    return _odd(part, change) if newest and change.probability + change.moved > LIKELY else None


def _move(part: Sequence[Point], change: Change) -> Move:
    assert change.kind != "odd"
    step = change.kind == "step"
    first, last = (part[change.earliest - 1] if step else part[change.earliest]), part[change.latest]
    size = Quantity(change.size, change.u, "deg")
    return Move(change.kind, size, first, last, part[change.at], change.moved, alone=step and change.at == 1)


def _odd(part: Sequence[Point], change: Change) -> Odd:
    return Odd(part[change.at], Quantity(change.size, change.u, "deg"), change.probability)


def _stretches(part: Sequence[Point], changes: Changes, hint: Move | Odd | None) -> tuple[Stretch, ...]:
    odd = {change.at for change in changes.found if change.kind == "odd"}
    odd |= {len(part) - 1} if isinstance(hint, Odd) else set()
    drifts = [change.at for change in changes.found if change.kind == "drift"]
    bounds = sorted({0, len(part), *(change.at for change in changes.found if change.kind != "odd")})
    stretches = []
    for start, end in itertools.pairwise(bounds):
        kept = [i for i in range(start, end) if i not in odd]
        points = tuple(part[i] for i in kept)
        level, u = (tuple(float(array[i]) for i in kept) for array in (changes.level, changes.level_u))
        drifting = any(at <= start for at in drifts)
        doubtful = drifting or (isinstance(hint, Move) and hint.last.time >= part[start].time)
        stretches.append(Stretch(points, level, u, drifting, None if doubtful else control_limits(points)))
    return tuple(stretches)


def line_change(time: Floats, value: Floats, u: Floats) -> Quantity:
    """Change of the weighted straight line from the first reading to the last; none among readings of one time."""
    length = time[-1] - time[0]
    weight = 1 / u**2
    share = (time - time[0]) / length if length > 0 else np.zeros(len(time))
    share = share - np.average(share, weights=weight)
    spread = float(weight @ share**2)
    if not spread > 0:
        return Quantity(0.0, math.sqrt(2 / float(np.mean(weight))), "deg")
    return Quantity(float(weight @ (share * value)) / spread, 1 / math.sqrt(spread), "deg")
