"""What to measure next when a reading settles nothing: what each step costs, the ± that it leaves, whether it decides.

The steps stand in order of what they cost the user; the first that probably decides is the one to name.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from visioncheck import checks
from visioncheck.fence.decision import LEVEL, conformance_probability, guard_factor
from visioncheck.quantity import Quantity, coverage_factor

if TYPE_CHECKING:
    from collections.abc import Iterator

    from visioncheck.fence.pooled import Pooled

Code = Literal["quarter turn", "survey", "repeats", "more cuts", "one more", "panel", "strip"]

PRINT = "print survey"
_COMMON = frozenset({PRINT, "lens", "paper flatness", "edge bias", "scale"})
"""What further photos with the same phone and sheet would have alike; averaging does not lower it."""

# what is left of a print's share in a corner after a quarter turn: its shapes that are not affine. 0.011° of
# 0.21° in 200 simulated pairs without a rig (`python -m tests.pairs`)
_TURN_LEAVES = 0.06
# a survey's own share, deg: median of the simulated photos (`python -m tests.coverage`)
_U_SURVEY_DEG = 0.001
USUAL_U_DEG = {
    True: {"corner": 0.0093, "panel": 0.0036, "strip": 0.0012},
    False: {"corner": 0.127, "panel": 0.0119, "strip": 0.0019},
}
"""Standard uncertainty of a fence error by kind of piece, with and without a rig, the phone at rest, deg: the ± of the
benchmark `coverage`, halved; a strip's is a fourth of its taper's."""
# a strip of 300 mm with callipers read to 0.02 mm: 0.02 · √2 / 300 rad / 4; common practice, no source
U_TYPED_STRIP_DEG = 0.0014
_MOST_CUTS, _MOST_TYPED = 4, 9


@dataclass(frozen=True, slots=True)
class Basis:
    """What a fence error rests on.

    Attributes
    ----------
    kind : str
        Of the test piece: corner, panel, strip or gap; empty where it is not known.
    is_photo : bool
        Read from a photo, not typed.
    is_surveyed, is_turned : bool
        Whether there was a rig, and a second photo of the turned piece.
    shares : mapping of str to float
        Shares of the variance by source; empty where there is no budget.
    pooled : Pooled or None
        The pieces that it is the mean of, where it is one.
    is_unsettled : bool
        Whether the newest reading does not fit those before, so that the next one must tell which to believe.
    """

    kind: str = ""
    is_photo: bool = False
    is_surveyed: bool = True
    is_turned: bool = False
    shares: Mapping[str, float] = field(default_factory=dict)
    pooled: Pooled | None = None
    is_unsettled: bool = False

    @property
    def common(self) -> float:
        """Share of the variance that all readings of this sort have alike."""
        return sum(share for source, share in self.shares.items() if source in _COMMON)


@dataclass(frozen=True, slots=True)
class NextStep:
    """One thing to do before the fence is moved.

    Attributes
    ----------
    code : {"quarter turn", "survey", "repeats", "more cuts", "one more", "panel", "strip"}
        A second photo of the same piece, turned; a survey of phone and sheet; the mean of so many readings of
        fresh cuts; so many fresh cuts more; one more, which tells an odd piece from a fence that moved; a panel; the
        strip of a fifth cut.
    u_deg : float
        Standard uncertainty that it would leave, deg.
    probability_decides : float
        Chance that the reading is then inside, or far enough from nothing for a move to be named.
    count : int
        Readings in all, for repeats; further ones, for more cuts.
    """

    code: Code
    u_deg: float
    probability_decides: float
    count: int = 1

    @property
    def expanded_deg(self) -> float:
        """The ± that it would leave, 95 %."""
        return coverage_factor(math.inf) * self.u_deg


def next_step(error: Quantity, tolerance: float, basis: Basis) -> NextStep | None:
    """Name the cheapest step that probably decides, or of all steps the one with the best chance.

    Parameters
    ----------
    error : Quantity
        The fence error as read, deg.
    tolerance : float
        Largest fence error to live with, deg.
    basis : Basis
        What it was read from.

    Returns
    -------
    NextStep or None
        None where no step leaves a smaller ± worth the trouble.
    """
    if basis.is_unsettled:
        return NextStep("one more", error.u, 0.0)
    if basis.pooled is not None:
        from visioncheck.fence.plan import plan  # lazy: simulates

        return plan(basis.pooled, tolerance, basis)
    steps = [
        NextStep(code, u, deciding_probability(error, u, tolerance), count)
        for code, u, count in _steps(error.u, basis)
        if u < checks.STEP_WORTH_IT * error.u
    ]
    likely = next((step for step in steps if step.probability_decides >= checks.STEP_LIKELY), None)
    return likely or max(steps, key=lambda step: step.probability_decides, default=None)


def deciding_probability(error: Quantity, u: float, tolerance: float) -> float:
    """Chance that a better reading, of standard uncertainty `u`, will say what to do.

    The better reading's value is not known yet. Since the true value is spread about the present one with u(e), and
    about the better one with `u`, the better one is spread about the present one with ``√(u(e)² − u²)`` (preposterior
    analysis; Raiffa and Schlaifer, *Applied Statistical Decision Theory*, 1961). It decides when the fence is then
    inside with 95 % (`_inside_limit`), or when its size is at least ``2 · 1.645 u``, where a full move improves it with
    95 %: `improvement_probability` is the chance that the true error is more than half of the move.

    Parameters
    ----------
    error : Quantity
        The present reading.
    u : float
        Standard uncertainty of the better one, smaller than that of `error`.
    tolerance : float
        As for `visioncheck.fence.decision.decide`.
    """
    inside = _inside_limit(u, tolerance)
    movable = 2 * guard_factor(LEVEL) * u
    if inside >= movable:
        return 1.0
    spread = Quantity(error.value, math.sqrt(max(error.u**2 - u**2, 0.0)), error.unit, error.dof)
    open_ = conformance_probability(spread, -movable, movable) - conformance_probability(spread, -inside, inside)
    return 1.0 - max(open_, 0.0)


def _inside_limit(u: float, tolerance: float) -> float:
    """Largest size of a reading whose fence is inside the tolerance with 95 %; 0 where none is.

    ``T − 1.645 u`` for a `u` small against the tolerance; for a large one the other limit takes its share too.
    """
    low, high = 0.0, tolerance
    for _ in range(40):
        middle = (low + high) / 2
        is_inside = conformance_probability(Quantity(middle, u, ""), -tolerance, tolerance) >= LEVEL
        low, high = (middle, high) if is_inside else (low, middle)
    return low


def _steps(u: float, basis: Basis) -> Iterator[tuple[Code, float, int]]:
    """Every step that is left to take, the least trouble first: its standard uncertainty, deg, and count."""
    print_share = basis.shares.get(PRINT, 0.0)
    if basis.is_photo and not basis.is_surveyed:
        rest = u * math.sqrt(max(1 - print_share, 0.0))
        if basis.kind == "corner" and not basis.is_turned:
            yield "quarter turn", math.hypot(rest, _TURN_LEAVES * u * math.sqrt(print_share)), 1
        yield "survey", math.hypot(rest, _U_SURVEY_DEG), 1
    for count in range(2, (_MOST_CUTS if basis.is_photo else _MOST_TYPED) + 1):
        yield "repeats", u * math.sqrt(basis.common + (1 - basis.common) / count), count
    if basis.kind != "strip":
        yield "strip", USUAL_U_DEG[basis.is_surveyed]["strip"] if basis.is_photo else U_TYPED_STRIP_DEG, 1
