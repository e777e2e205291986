"""Has a sled stayed square? Control limits and a test for drift, since the last adjustment."""

from __future__ import annotations

import functools
import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from visioncheck import quantity
from visioncheck.quantity import Quantity

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from visioncheck.log.entry import Entry

# Mean and standard deviation of the range of two normal values with standard deviation one
# (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2; exact for two)
D2 = 2 / math.sqrt(math.pi)
D3 = math.sqrt(2 - 4 / math.pi)
# fewer readings give limits that say nothing (common practice asks for twenty; see `Limits.readings`)
FEWEST_FOR_LIMITS = 5
# Readings beyond those that a line needs, in all parts together, before a change is called a drift: with fewer,
# nothing tells how far readings scatter beyond their stated uncertainty
FEWEST_SPARE = 3

# the same few degrees of freedom come again and again
coverage_factor = functools.cache(quantity.coverage_factor)

State = Literal["none", "single", "steady", "unsure", "drifted"]


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
class Trend:
    """What the readings since the last adjustment say.

    Attributes
    ----------
    state : {"none", "single", "steady", "unsure", "drifted"}
        No reading; one alone; no change beyond what repeated readings scatter; a change that chance
        gives in 5 % to 1 % of cases, or a larger one shown by too few readings; a change beyond that.
    since : tuple of Point
        The readings since the last adjustment, the first after it included.
    change : Quantity or None
        Change of the fence error in degrees; positive: the right end has gone forward. Without a jump it is
        that of a straight line from the first to the last of these, with one that of the means before and after.
    jump : Point or None
        The first of these that does not fit those before it.
    limits : Limits or None
        Of these readings; None when they are too few.
    """

    state: State
    since: tuple[Point, ...]
    change: Quantity | None = None
    jump: Point | None = None
    limits: Limits | None = None


def points_of(entries: Iterable[Entry]) -> list[Point]:
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


def limits_of(part: Sequence[Point]) -> Limits | None:
    """Limits of the readings between two adjustments, or None when they are too few."""
    if len(part) < FEWEST_FOR_LIMITS:
        return None
    return individuals_limits([point.error.value for point in part])


def assess(points: Sequence[Point]) -> Trend:
    """Say whether the fence has moved since the last adjustment.

    A straight line is fitted to the readings since then, weighted with their standard uncertainties. What
    readings scatter beyond these (another test cut, another seat against the fence) enlarges them by the
    Birge ratio (Birge, *The calculation of errors by the method of least squares*, 1932), taken over all
    parts of the log between adjustments: earlier ones tell as much about the scatter as the last one, even when
    the fence drifted in them (`_past_scatter`). A change
    beyond its 99 % interval is a drift, and one beyond 95 % is worth another photo: the test is made anew
    with each reading, so 95 % alone would cry wolf.
    """
    parts = segments(points)
    if not parts:
        return Trend("none", ())
    since = parts[-1]
    if len(since) == 1:
        return Trend("single", since)
    jump = _jump(since)
    if jump is None:
        value, u, _ = _line(since)
        factor, spare = _scatter(parts[:-1], [since])
        settled = spare >= FEWEST_SPARE
    else:
        before, after = since[: since.index(jump)], since[since.index(jump) :]
        value, u = _step(before, after)
        factor, spare = _scatter(parts[:-1], [before, after])
        # one odd reading may be an odd piece
        settled = len(after) > 1 and spare >= FEWEST_SPARE
    dof = spare if factor > 1 else math.inf
    change = Quantity(value, factor * u, "deg", min(dof, *(point.error.dof for point in since)))
    return Trend(_state(change, settled=settled), since, change, jump, limits_of(since))


def _state(change: Quantity, *, settled: bool) -> State:
    if abs(change.value) <= change.expanded(0.95):
        return "steady"
    return "drifted" if settled and abs(change.value) > change.expanded(0.99) else "unsure"


def _scatter(past: Sequence[Sequence[Point]], own: Sequence[Sequence[Point]]) -> tuple[float, float]:
    """Factor on the stated uncertainties, and its degrees of freedom.

    From the parts before the last adjustment, and from the residuals of the straight lines through `own`.
    """
    sum_squares, spare = 0.0, 0.0
    for part in past:
        if len(part) > 2:
            mean_square, dof = _past_scatter(part)
            sum_squares += dof * mean_square
            spare += dof
    for part in own:
        if len(part) > 2:
            _, _, residuals = _line(part)
            sum_squares += float(residuals @ residuals)
            spare += len(part) - 2
    return (max(1.0, math.sqrt(sum_squares / spare)) if spare else 1.0), spare


def _past_scatter(part: Sequence[Point]) -> tuple[float, float]:
    """Mean square of the readings' distances from the line between their neighbours, over its expectation.

    However a fence drifted, it hardly leaves that line from one reading to the next, so these distances show
    the scatter alone (J. von Neumann, *Distribution of the ratio of the mean square successive difference to
    the variance*, 1941, here with second differences). They hang together, with correlations of −2/3 and 1/6
    for equal steps, which leaves them fewer degrees of freedom.
    """
    squares = []
    for before, point, after in zip(part, part[1:], part[2:], strict=False):
        whole = (after.time - before.time).total_seconds()
        share = (point.time - before.time).total_seconds() / whole if whole > 0 else 0.5
        between = (1 - share) * before.error.value + share * after.error.value
        u = math.hypot(point.error.u, (1 - share) * before.error.u, share * after.error.u)
        squares.append(((point.error.value - between) / u) ** 2)
    count = len(squares)
    together = 1 + 2 * ((1 - 1 / count) * (2 / 3) ** 2 + max(0.0, 1 - 2 / count) * (1 / 6) ** 2)
    return math.fsum(squares) / count, count / together


def _step(before: Sequence[Point], after: Sequence[Point]) -> tuple[float, float]:
    """Difference of the weighted means after and before, and its u."""
    means, variances = [], []
    for part in (before, after):
        weight = 1 / np.array([point.error.u for point in part]) ** 2
        means.append(float(np.average([point.error.value for point in part], weights=weight)))
        variances.append(1 / float(weight.sum()))
    return means[1] - means[0], math.sqrt(sum(variances))


def _line(part: Sequence[Point]) -> tuple[float, float, np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """Weighted line through a part: change from first to last, its u, and the residuals over their u."""
    start, end = part[0].time, part[-1].time
    # share of the part's time, so that the slope is the change; readings at one time show no change
    share = np.array([(point.time - start) / (end - start) if end > start else 0.0 for point in part])
    value = np.array([point.error.value for point in part])
    weight = 1 / np.array([point.error.u for point in part]) ** 2
    mean_share, mean_value = np.average(share, weights=weight), np.average(value, weights=weight)
    spread = float(weight @ (share - mean_share) ** 2)
    slope = float(weight @ ((share - mean_share) * value)) / spread if spread > 0 else 0.0
    u = 1 / math.sqrt(spread) if spread > 0 else math.sqrt(2 / float(np.mean(weight)))
    residuals = (value - mean_value - slope * (share - mean_share)) * np.sqrt(weight)
    return slope, u, residuals


def _jump(part: Sequence[Point]) -> Point | None:
    """Find the first reading outside the 99.7 % prediction interval of those before it.

    Hahn and Meeker, *Statistical Intervals* (1991); limits of a control chart from a few readings alone would
    be crossed by chance far too often. The reading's own uncertainty is allowed for.
    """
    if len(part) <= FEWEST_FOR_LIMITS:
        return None
    values = np.array([point.error.value for point in part])
    count = np.arange(1, len(part))
    # running mean and standard deviation of all readings before each; from the first value, which keeps digits
    shifted = values - values[0]
    mean = np.cumsum(shifted)[:-1] / count
    variance = (np.cumsum(shifted**2)[:-1] - count * mean**2) / np.maximum(count - 1, 1)
    factor = np.array([coverage_factor(dof, 0.997) for dof in np.maximum(count - 1, 1)])
    usual = factor * np.sqrt(np.maximum(variance, 0) * (1 + 1 / count))
    own = np.array([coverage_factor(point.error.dof, 0.997) * point.error.u for point in part[1:]])
    odd = np.abs(shifted[1:] - mean) > np.maximum(usual, own)
    odd[: FEWEST_FOR_LIMITS - 1] = False
    return part[int(np.argmax(odd)) + 1] if odd.any() else None
