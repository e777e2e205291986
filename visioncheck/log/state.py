"""What a log says of a sled: the states it went through, its last move, and how it stands now."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from visioncheck import checks
from visioncheck.fence.decision import Verdict, decide
from visioncheck.quantity import Quantity, coverage_factor

if TYPE_CHECKING:
    from datetime import datetime

    from visioncheck.correction.correct import Correction
    from visioncheck.correction.done import Done
    from visioncheck.correction.learned import Checked, Learned
    from visioncheck.fence.pooled import Pooled
    from visioncheck.log.entry import Entry
    from visioncheck.log.trend import Trend
    from visioncheck.sled.model import Sled


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """The readings between two changes of the sled, by hand or by a bump.

    Attributes
    ----------
    entries : tuple of Entry
        In order of time, the newest thirty at most; those that the trend takes for odd are among them.
    pooled : Pooled
        Their mean.
    adjusted : str
        What was done just before, in the user's words; empty: nothing, it began with the log or with a bump.
    is_drifting : bool
        The fence error is that of the newest reading's day then, by the drift's line.
    """

    entries: tuple[Entry, ...]
    pooled: Pooled
    adjusted: str = ""
    is_drifting: bool = False

    @property
    def error(self) -> Quantity:
        """Fence error, deg, signed."""
        return self.pooled.error


@dataclass(frozen=True, slots=True, eq=False)
class LastMove:
    """The last adjustment: what was read before, what was to be expected of it, and what is read now.

    Attributes
    ----------
    said : str
        What was done, in the user's words.
    done : Done or None
        The same as structure, where the words have it.
    time : datetime
        Of the first reading after it.
    before, now : Quantity
        Fence error, deg, signed: just before, and just after.
    ordered : Quantity or None
        Fence error that was to be expected of the move that was named, deg; None where none was named.
    checked : Checked or None
        How far the fence went against what was to be expected of what was done; None where that is not known.
    """

    said: str
    done: Done | None
    time: datetime
    before: Quantity
    now: Quantity
    ordered: Quantity | None
    checked: Checked | None

    @property
    def predicted(self) -> Quantity | None:
        """Fence error to be expected of what was done, or else of what was named, deg."""
        if self.checked is None:
            return self.ordered
        expected = self.checked.expected_deg
        u = math.hypot(known_u(self.before), expected.u)
        return Quantity(self.before.value + expected.value, u, "deg")


@dataclass(frozen=True, slots=True, eq=False)
class SledNow:
    """A sled as its log has it now.

    Attributes
    ----------
    name : str
        The sled's name.
    sled : Sled or None
        Its file as it was kept last; None where none is kept or it cannot be read.
    newest : Entry or None
        The newest entry with a fence error.
    pending : str
        What was changed on the sled since that; empty: nothing.
    trend : Trend
        How the readings since the last adjustment went.
    states : tuple of State
        In order of time; the last one is how the sled stands (before `pending`).
    correction : Correction or None
        The one decision on it; None without a sled's file, and while something is pending.
    learned : Learned or None
        What its adjustments have taught; None where there was none.
    last_move : LastMove or None
        The newest adjustment with readings before and after.
    today : datetime
        The day that it is said for.
    """

    name: str
    sled: Sled | None
    newest: Entry | None
    pending: str
    trend: Trend
    states: tuple[State, ...]
    correction: Correction | None
    learned: Learned | None
    last_move: LastMove | None
    today: datetime

    @property
    def due(self) -> datetime | None:
        """When the next check is due; None without a reading."""
        return None if self.newest is None else self.newest.time + timedelta(days=checks.CHECK_DUE_DAYS)

    @property
    def is_due(self) -> bool:
        """Whether the newest reading is older than that."""
        return self.due is not None and self.today > self.due

    @property
    def state(self) -> State | None:
        """How it stands."""
        return self.states[-1] if self.states else None

    @property
    def pooled(self) -> Pooled | None:
        """Its readings since it last changed, as one."""
        return self.states[-1].pooled if self.states else None

    @property
    def verdict(self) -> Verdict | None:
        """Of the pooled error; None without a sled's file, a reading, or after an adjustment that is not measured."""
        return None if self.correction is None else self.correction.now.verdict

    @property
    def square_since(self) -> datetime | None:
        """The first reading of the unbroken row of states up to now that are inside; None where it is not inside."""
        if self.verdict is not Verdict.INSIDE or self.sled is None:
            return None
        since = None
        for state in reversed(self.states):
            if decide(state.error, self.sled.tolerance_deg).verdict is not Verdict.INSIDE:
                break
            since = state.entries[0].time
        return since


def known_u(error: Quantity) -> float:
    """The known standard uncertainty with the same ±."""
    return error.expanded() / coverage_factor(math.inf)
