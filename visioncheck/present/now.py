"""How a sled stands, in words: one line for a list, lines for a report, and the last move before, foretold and now."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.fence.decision import Verdict
from visioncheck.log.now import basis_of_state
from visioncheck.log.trend import Odd
from visioncheck.present.correction import describe, format_fence_error, percent
from visioncheck.present.line import LabelledLine
from visioncheck.present.loop import format_learned, format_own, last_move_lines
from visioncheck.present.naming import NAMING
from visioncheck.present.trend import format_date
from visioncheck.present.verdict import ShownVerdict, verdict_view
from visioncheck.results.from_json import doubts_from_json
from visioncheck.results.pieces import FRESH
from visioncheck.units import UnitWorld, format_error

if TYPE_CHECKING:
    from visioncheck.fence.next_step import Basis
    from visioncheck.fence.pooled import Pooled
    from visioncheck.log.state import SledNow
    from visioncheck.log.trend import Move, Trend
    from visioncheck.present.naming import Door
    from visioncheck.sled.model import Sled

_SQUARE = {
    Verdict.INSIDE: "square",
    Verdict.OUTSIDE: "NOT square",
    Verdict.CANNOT_TELL: "can't tell whether square",
}


def history_line(now: SledNow) -> str:
    """Say in one line whether it is square now, since when, whether it drifts or was moved, and when a check is due."""
    if now.state is None or now.newest is None:
        return f"{now.name}: no fence error read yet"
    if now.pending:
        before = format_own(now.state.error, units_of(now))
        return f"{now.name}: not measured since it was adjusted ({now.pending}); before that {before}"
    parts = [_format_square(now), _format_steadiness(now), _format_due(now)]
    return f"{now.name}: " + "; ".join(part for part in parts if part)


def units_of(now: SledNow) -> UnitWorld:
    """The owner's units."""
    return now.sled.units if now.sled else "mm"


def _format_square(now: SledNow) -> str:
    assert now.state is not None
    said = format_own(now.state.error, units_of(now))
    if now.verdict is None:
        return f"{said} (tolerance not known: no sled file)"
    if now.correction is not None and now.correction.advice == "leave it" and now.verdict is not Verdict.INSIDE:
        return f"very probably square ({said})"
    since = f" since {format_date(now.square_since)}" if now.square_since else ""
    return f"{_SQUARE[now.verdict]}{since} ({said})"


def _format_steadiness(now: SledNow) -> str:
    trend, units = now.trend, units_of(now)
    if trend.state == "drifted":
        return _format_move(trend.moves[-1], units)
    if trend.state == "moved":
        return _format_move(trend.moves[-1], units)
    if isinstance(trend.hint, Odd):
        return "the newest reading does not fit those before: it may have been bumped, cut and measure again"
    if trend.hint is not None:
        return "it may have moved, another reading will tell"
    first = trend.since[0]
    began = f"the adjustment of {format_date(first.time)}" if first.adjusted else format_date(first.time)
    return "one reading so far" if trend.state == "single" else f"no move to be seen since {began}"


def _format_move(move: Move, units: UnitWorld) -> str:
    way = "forward" if move.size.value > 0 else "back"
    ways = format_error(move.size.value, signed=False)
    by = ways.in_per_ft if units == "in" else ways.mm_per_m
    first, last = format_date(move.first.time), format_date(move.last.time)
    if move.kind == "drift":
        return f"DRIFTING since {first}: right end {by} {way} by now"
    when = f"on {first}" if first == last else f"between {first} and {last}"
    return f"MOVED by itself or by a bump {when}: right end {by} {way}"


def _format_due(now: SledNow) -> str:
    assert now.newest is not None
    assert now.due is not None
    if now.is_due:
        return f"CHECK DUE: the newest reading is of {format_date(now.newest.time)}"
    return f"next check by {format_date(now.due)}"


def basis_now(now: SledNow) -> Basis | None:
    """Say what the pooled error rests on, for the advice on what to measure next."""
    return None if now.newest is None or now.pooled is None else basis_of_state(now.newest, now.pooled, now.trend)


def now_lines(now: SledNow, door: Door = "command") -> list[LabelledLine]:
    """Say how a sled stands line by line: what the verdict rests on, what to do, how the last move came out."""
    if now.state is None or now.pooled is None:
        return [LabelledLine("Sled", history_line(now))]
    lines = [LabelledLine("From", format_pieces(now))]
    if now.pending:
        lines.append(LabelledLine("Do", f"cut and measure a fresh test piece: adjusted since ({now.pending})"))
    elif now.sled is not None:
        lines += describe(now.state.error, now.sled, basis_now(now), door, learned=now.learned)
    else:
        lines.append(LabelledLine("Fence", format_own(now.state.error, "mm")))
    lines += _pooling_lines(now.pooled, _entry_names(now), now.trend)
    if now.last_move is not None and now.sled is not None:
        lines += last_move_lines(now.last_move, now.sled)
    if now.learned is not None and now.sled is not None:
        lines += [LabelledLine("Learnt", text) for text in format_learned(now.learned, now.sled)]
    return lines


def together_lines(now: SledNow) -> list[LabelledLine]:
    """Say what a verdict on several readings rests on; nothing of one reading alone."""
    if now.pooled is None or now.pooled.readings + len(now.pooled.odd) == 1:
        return []
    return [LabelledLine("From", format_pieces(now)), *_pooling_lines(now.pooled, _entry_names(now), now.trend)]


def verdict_of_now(now: SledNow, door: Door = "command") -> ShownVerdict:
    """Make the pooled verdict ready for a page; a reading's own doubts are those of the newest one."""
    newest, state = now.newest, now.state
    assert newest is not None
    assert state is not None
    doubts = doubts_from_json(newest.reading)
    return verdict_view(state.error, now.sled, doubts, basis=basis_now(now), door=door, learned=now.learned)


def format_pieces(now: SledNow) -> str:
    """Say how many pieces and readings a verdict is of, and since when."""
    state, pooled = now.state, now.pooled
    assert state is not None
    assert pooled is not None
    pieces = f"{pooled.pieces} piece{'s' if pooled.pieces > 1 else ''}"
    if pooled.readings > pooled.pieces:
        pieces += f" in {pooled.readings} readings (photos of one piece count as one)"
    first, last = format_date(state.entries[0].time), format_date(state.entries[-1].time)
    when = f"of {first}" if first == last else f"from {first} to {last}"
    began = " since it was adjusted" if state.adjusted else ""
    drift = ", by the line of its drift on the last day" if state.is_drifting else ""
    left_out = f"; {len(pooled.odd)} odd one{'s' if len(pooled.odd) > 1 else ''} left out" if pooled.odd else ""
    return f"{pieces} {when}{began}{drift}{left_out}"


def format_scatter(pooled: Pooled) -> list[str]:
    """Say how cuts scatter beyond their own ±, and what no further cut makes smaller."""
    said = []
    if pooled.pieces > 1 or pooled.known.is_learnt:
        most = f"at most {pooled.scatter_at_most_deg:.3f}°"
        if pooled.scatter_deg < 0.0005:
            said.append(f"cuts scatter no more than their own ± says ({most} beyond it), which is in the ±")
        else:
            said.append(f"cuts scatter by {pooled.scatter_deg:.3f}° beyond their own ± ({most}), which is in the ±")
    else:
        said.append("not known from one piece: the ± is this piece's, and another cut may scatter more")
    if pooled.pieces > 1 and 4 * pooled.common_u_deg**2 > pooled.error.u**2:
        common = 1.96 * pooled.common_u_deg
        said.append(f"± {common:.3f}° is alike in all (survey, sheet, lens): more cuts do not lessen it")
    return said


def format_odd(now: SledNow) -> list[str]:
    """Name the pieces of a log that do not fit, and readings of one piece that contradict each other."""
    return [] if now.pooled is None else _format_odd(now.pooled, _entry_names(now))


def pooled_lines(pooled: Pooled, sled: Sled | None, basis: Basis, door: Door = "command") -> list[LabelledLine]:
    """Say several readings as one, line by line, where no log knows more of the sled."""
    pieces = f"{pooled.pieces} piece{'s' if pooled.pieces > 1 else ''} in {pooled.readings} readings"
    lines = [LabelledLine("From", pieces), *_same_lines(pooled, door)]
    if sled is None:
        lines.append(LabelledLine("Fence", format_fence_error(pooled.error)))
    else:
        lines += describe(pooled.error, sled, basis, door)
    return lines + _pooling_lines(pooled, {}, None)


def _same_lines(pooled: Pooled, door: Door) -> list[LabelledLine]:
    """Say what was taken for one piece, where it was not told."""
    if pooled.readings + len(pooled.odd) <= pooled.pieces + len(pooled.odd):
        return []
    way = NAMING[door]("cut", FRESH)
    taken = f"photos whose pieces are alike in size count as one piece; if each shows a cut of its own, say so: {way}"
    return [LabelledLine("Assumed", taken)]


def _pooling_lines(pooled: Pooled, names: dict[str, str], trend: Trend | None) -> list[LabelledLine]:
    # while nobody knows whether the fence moved, what looks like scatter may be that
    is_settled = trend is None or trend.hint is None
    lines = [LabelledLine("Scatter", text) for text in format_scatter(pooled)] if is_settled else []
    return lines + [LabelledLine("Odd", text) for text in _format_odd(pooled, names)]


def _entry_names(now: SledNow) -> dict[str, str]:
    return {each.id: _call(each.id[:8], each.file_name) for state in now.states for each in state.entries}


def _format_odd(pooled: Pooled, called: dict[str, str]) -> list[str]:
    said = []
    for piece in pooled.odd:
        names = " and ".join(called.get(name, name) for name in piece.names)
        off = f"{abs(piece.off_by.value):.3f}° off the others"
        said.append(f"{names}: {off} (chance of that: {percent(piece.chance)}), left out; look at that piece again")
    for group in pooled.at_odds:
        names = " and ".join(called.get(name, name) for name in group)
        said.append(f"{names} are of one piece and contradict each other: was it moved, or is it another piece?")
    return said


def _call(id_: str, file_name: str) -> str:
    return f"entry {id_} ({file_name})" if file_name else f"entry {id_}"
