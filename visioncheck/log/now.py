"""A sled as it stands: its readings since it was last changed as one, what to do, how the last move came out."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from visioncheck.correction.correct import Correction, correct
from visioncheck.correction.done import Done, read_done
from visioncheck.correction.learned import Adjustment, Learned, Level, check_move, learn
from visioncheck.correction.means import Turns
from visioncheck.errors import UserError
from visioncheck.fence.decision import combined
from visioncheck.fence.pooled import Pooled, pool
from visioncheck.fence.scatter import Scatter
from visioncheck.log.entry import ADJUSTMENT
from visioncheck.log.standing import newest_reading, pending_adjustment
from visioncheck.log.state import LastMove, SledNow, State, known_u
from visioncheck.log.trend import Trend, assess_all, line_change, trend_points
from visioncheck.quantity import Quantity
from visioncheck.results.basis import basis_of_json
from visioncheck.results.from_json import quantity_from_json
from visioncheck.results.pieces import Record, seen_from_records
from visioncheck.sled.model import Screw

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.fence.next_step import Basis
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log
    from visioncheck.log.trend import Stretch
    from visioncheck.sled.model import Sled

# before that many readings nothing says what the fence is now; a trend over more takes seconds
_MOST_POINTS = 400
# of one state; older ones add next to nothing, and may hide what has changed little by little
_MOST_POOLED = 30
_ONE = Fraction(1)


def sled_now(log: Log, name: str, today: datetime | None = None) -> SledNow:
    """Say how a sled stands.

    Parameters
    ----------
    log : Log
        Open for reading.
    name : str
        The sled's name.
    today : datetime or None
        For whether a check is due; None: now.

    Raises
    ------
    UserError
        The log cannot be read.
    """
    return now_from_entries(name, list(log.entries(sled=name)), kept_sled(log, name), today)


def decision_on(log: Log, entry: Entry) -> Correction | None:
    """The one decision on a sled, where this entry is its newest reading; None where it orders nothing.

    Raises
    ------
    UserError
        The log cannot be read.
    """
    now = sled_now(log, entry.sled)
    return now.correction if now.newest is not None and now.newest.id == entry.id else None


def kept_sled(log: Log, name: str) -> Sled | None:
    """Read the sled as it was kept last; one that cannot be read spoils its own verdict and no other sled's."""
    from visioncheck.sled.file import parse_sled

    text = log.sled_text(name)
    try:
        return None if text is None else parse_sled(text, f"the file of {name} in the log")
    except UserError:
        return None


def now_from_entries(name: str, entries: Sequence[Entry], sled: Sled | None, today: datetime | None = None) -> SledNow:
    """Say how a sled stands, from its entries in order of time."""
    standing = [each for each in entries if each.corrected_by is None]
    newest, pending = newest_reading(standing), pending_adjustment(standing)
    points = trend_points(standing)
    trends = assess_all(points[-_MOST_POINTS:])
    by_id = {each.id: each for each in standing}
    states = _states(trends, by_id)
    learned, last_move = _moves(states, sled) if sled is not None else (None, None)
    correction = None
    if states and newest is not None and sled is not None and not pending:
        basis = basis_of_state(newest, states[-1].pooled, trends[-1])
        correction = correct(states[-1].error, sled, basis, learned)
    return SledNow(
        name=name,
        sled=sled,
        newest=newest,
        pending=pending,
        trend=trends[-1] if trends else Trend("none", ()),
        states=tuple(states),
        correction=correction,
        learned=learned,
        last_move=last_move,
        today=today or datetime.now(UTC),
    )


def basis_of_state(newest: Entry, pooled: Pooled, trend: Trend) -> Basis:
    """Say what a state's fence error rests on; of one reading alone what that rests on, so that both say the same."""
    basis = replace(basis_of_json(newest.reading), is_unsettled=trend.hint is not None)
    return basis if pooled.readings == 1 and not pooled.known.is_learnt else replace(basis, pooled=pooled)


def _states(trends: Sequence[Trend], by_id: dict[str, Entry]) -> list[State]:
    """Pool each stretch between changes; each begins with the scatter that those before it taught."""
    states: list[State] = []
    known = Scatter()
    newest = trends[-1].since[-1].id if trends else ""
    for trend in trends:
        for k, stretch in enumerate(trend.stretches):
            if not stretch.points:
                continue
            adjusted = trend.since[0].adjusted if k == 0 else ""
            entries = _entries_of(trend, k, by_id)
            pooled = pool(seen_from_records([_record(each) for each in entries]), known, newest)
            if stretch.drifting:
                pooled = replace(pooled, error=_end_of_drift(stretch, pooled))
            else:
                known = pooled.scatter
                pooled = replace(pooled, error=_with_creep(stretch, pooled.error))
            states.append(State(entries, pooled, adjusted, stretch.drifting))
    return states


def _entries_of(trend: Trend, k: int, by_id: dict[str, Entry]) -> tuple[Entry, ...]:
    """The entries of one stretch, odd ones in it included: pooling names them itself."""
    start = trend.stretches[k].points[0].time
    later = trend.stretches[k + 1].points[0].time if k + 1 < len(trend.stretches) else None
    first = start if k else trend.since[0].time
    inside = [each for each in trend.since if each.time >= first and (later is None or each.time < later)]
    return tuple(by_id[each.id] for each in inside[-_MOST_POOLED:])


def _record(entry: Entry) -> Record:
    assert entry.fence_error is not None
    return Record(entry.id, entry.fence_error, entry.reading, entry.rig_sha256 or "", entry.time)


def _end_of_drift(stretch: Stretch, pooled: Pooled) -> Quantity:
    """The error where a drift has come to; what all readings have alike is still in it."""
    u = (stretch.level_u_deg[-1] ** 2 + pooled.common_u_deg**2) ** 0.5
    return Quantity(stretch.level_deg[-1], u, "deg")


def _with_creep(stretch: Stretch, error: Quantity) -> Quantity:
    """Widen the ± by what a drift too slow to be called would have moved the fence since the middle of its readings.

    Half of what a straight line through the readings rises from first to last, as a rectangular distribution (JCGM
    100:2008, 4.3.7): a mean over months would else be surer of today than it can be.
    """
    points = stretch.points
    days = (points[-1].time - points[0].time).total_seconds() / 86400
    if len(points) < 3 or days < 1:
        return error
    time = np.array([point.time.timestamp() for point in points])
    value = np.array([point.error.value for point in points])
    rise = line_change(time, value, np.ones(len(points))).value
    return combined(error.value, error, abs(rise) / 2 / math.sqrt(3))


def _moves(states: Sequence[State], sled: Sled) -> tuple[Learned | None, LastMove | None]:
    """Learn from the adjustments one after the other; the newest one against what those before it had taught."""
    adjustments: list[Adjustment] = []
    last: LastMove | None = None
    learned: Learned | None = None
    for k, (before, after) in enumerate(pairwise(states)):
        if not after.adjusted:
            continue
        ordered = correct(before.error, sled, None, learned)
        done = done_of(after.entries[0], sled, ordered)
        adjustments.append(_adjustment(k, before, after, done, sled))
        checked = check_move(adjustments, sled)
        learned = learn(adjustments, sled)
        last = LastMove(
            said=after.adjusted,
            done=done,
            time=after.entries[0].time,
            before=before.error,
            now=after.error,
            ordered=_told(after.entries[0]) or (ordered.after if ordered.moves else None),
            checked=checked,
        )
    return learned, last


def done_of(entry: Entry, sled: Sled, ordered: Correction | None) -> Done | None:
    """What was done before a reading: as the entry keeps it, or as its words say it."""
    kept = entry.reading.get(ADJUSTMENT)
    found = kept.get("done") if isinstance(kept, dict) else None
    if isinstance(found, dict):
        turns, forward = found.get("turns"), found.get("forward_mm")
        return Done(tuple(float(each) for each in turns or ()), None if forward is None else float(forward))
    return read_done(entry.adjusted, sled, ordered)


def _told(entry: Entry) -> Quantity | None:
    """The fence error that was foretold, as the entry keeps it."""
    kept: Any = entry.reading.get(ADJUSTMENT)
    ordered = kept.get("ordered") if isinstance(kept, dict) else None
    return quantity_from_json(ordered.get("after_deg"), "deg") if isinstance(ordered, dict) else None


def _adjustment(k: int, before: State, after: State, done: Done | None, sled: Sled) -> Adjustment:
    """The levels before and after, without what both have alike: that cancels."""
    steps = () if done is None else done.steps_mm(sled)
    u_made = Turns(_ONE, "clockwise", sled.adjuster.pitch_mm).u_mm if isinstance(sled.adjuster, Screw) else 0.0
    alike = min(before.pooled.common_u_deg, after.pooled.common_u_deg)
    return Adjustment(steps, _level(f"state {k}", before, alike), _level(f"state {k + 1}", after, alike), u_made)


def _level(name: str, state: State, alike: float) -> Level:
    stated = known_u(state.error)
    own = max(stated**2 - alike**2, 0.01 * stated**2) ** 0.5
    return Level(name, replace(state.error, u=own))
