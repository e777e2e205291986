"""What the log says about a sled, in words."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from visioncheck.log.trend import Odd
from visioncheck.present.correction import percent
from visioncheck.results.numbers import quantity_json
from visioncheck.units import UnitWorld, format_error

# Earlier moves and odd readings that are told one by one
_MOST_EARLIER = 3

if TYPE_CHECKING:
    from datetime import datetime

    from visioncheck.log.trend import Move, Point, Trend
    from visioncheck.quantity import Quantity


def format_date(time: datetime) -> str:
    """Write a date as ``1 March 2026``, in local time."""
    local = time.astimezone()
    return f"{local.day} {local:%B %Y}"


def format_signed(error: Quantity, units: UnitWorld) -> str:
    """Write a signed angle with its 95 % interval and one workshop unit: ``+0.021° ± 0.006° (+0.37 mm/m)``."""
    ways = format_error(error.value)
    other = ways.in_per_ft if units == "in" else ways.mm_per_m
    return f"{ways.deg} ± {error.expanded():.3f}° ({other})"


def format_trend(trend: Trend, units: UnitWorld) -> list[str]:
    """Say whether the sled has stayed square since it was last adjusted, one sentence a line; the answer first."""
    if trend.state == "none":
        return ["No reading of this sled has a fence error yet."]
    if trend.change is None:
        return [_format_single(trend.since[0], units)]
    lines = [f"{_format_answer(trend, trend.change, units)} {_format_basis(trend)}"]
    lines += [_format_move(move, units) for move in trend.moves[-2::-1][:_MOST_EARLIER]]
    if trend.moves and trend.hint is not None:
        lines.append(_format_hint(trend.hint, units))
    lines += [_format_odd(odd, units) for odd in trend.odd[: -_MOST_EARLIER - 1 : -1]]
    if trend.limits is not None:
        low, high = format_error(trend.limits.lower).deg, format_error(trend.limits.upper).deg
        lines.append(f"Control limits from the newest {trend.limits.readings} readings: {low} to {high}.")
    return lines


def format_pending(adjusted: str) -> list[str]:
    """Say that the sled was adjusted after its newest reading, so that nothing above is of the sled as it is now."""
    return [f"Adjusted since ({adjusted}), and not measured after that: cut a fresh piece."] if adjusted else []


def trend_json(trend: Trend) -> dict[str, Any]:
    """Give the trend as JSON knows it; angles in degrees, keys that do not apply absent."""
    found: dict[str, Any] = {"state": trend.state, "readings": len(trend.since)}
    if trend.since:
        found |= {"since": trend.since[0].time.isoformat(), "adjusted": trend.since[0].adjusted}
    if trend.change is not None:
        found |= {"change_deg": quantity_json(trend.change), "probability_moved": trend.probability}
    if trend.moves:
        found["moves"] = [_move_json(move) for move in trend.moves]
    if trend.odd:
        found["odd"] = [_odd_json(odd) for odd in trend.odd]
    if trend.hint is not None:
        found["hint"] = _odd_json(trend.hint) if isinstance(trend.hint, Odd) else _move_json(trend.hint)
    if trend.limits is not None:
        found["limits_deg"] = asdict(trend.limits)
    return found


def _move_json(move: Move) -> dict[str, Any]:
    return {
        "kind": move.kind,
        "size_deg": quantity_json(move.size),
        "between": [move.first.time.isoformat(), move.last.time.isoformat()],
        "entry": move.start.id,
        "probability": move.probability,
    }


def _odd_json(odd: Odd) -> dict[str, Any]:
    return {
        "kind": "odd",
        "off_by_deg": quantity_json(odd.size),
        "entry": odd.point.id,
        "time": odd.point.time.isoformat(),
        "probability": odd.probability,
    }


def _format_single(point: Point, units: UnitWorld) -> str:
    error = format_signed(point.error, units)
    when = (
        f"since the adjustment on {format_date(point.time)}"
        if point.adjusted
        else f"so far, of {format_date(point.time)}"
    )
    return f"One reading {when}: {error}; another one will show whether it stays."


def _format_start(first: Point) -> str:
    if first.adjusted:
        return f"since the last adjustment on {format_date(first.time)}"
    return f"since the first reading on {format_date(first.time)}"


def _format_answer(trend: Trend, change: Quantity, units: UnitWorld) -> str:
    start = _format_start(trend.since[0])
    if trend.moves:
        answer = _format_move(trend.moves[-1], units)
        if len(trend.moves) > 1:
            answer += f" In all by {format_signed(change, units)} {start}."
        return answer
    if trend.hint is not None:
        return _format_hint(trend.hint, units)
    return (
        f"No move to be seen {start}: {format_signed(change, units)} from the first reading to the last is within what "
        f"repeated photos scatter."
    )


def _format_move(move: Move, units: UnitWorld) -> str:
    """Say which way, when, by how much and how surely."""
    sure = f"({percent(move.probability)} sure)"
    said = f"by {format_signed(move.size, units)} {_format_when(move)}: {_format_way(move.size)} {sure}"
    doubt = "; one reading alone stands before it, and if that one was odd, nothing moved" if move.alone else ""
    return f"The fence {'moved' if move.kind == 'step' else 'has drifted'} {said}{doubt}."


def _format_hint(hint: Move | Odd, units: UnitWorld) -> str:
    if isinstance(hint, Odd):
        return (
            f"The newest reading, of {format_date(hint.point.time)}, does not fit what came before: it is off by "
            f"{format_signed(hint.size, units)}. The fence may have moved ({_format_way(hint.size)}) or the piece may "
            f"be odd: another reading will tell."
        )
    return (
        f"The fence may have moved by {format_signed(hint.size, units)} {_format_when(hint)} ({_format_way(hint.size)};"
        f" {percent(hint.probability)} sure): another reading will tell."
    )


def _format_odd(odd: Odd, units: UnitWorld) -> str:
    return (
        f"The reading of {format_date(odd.point.time)} is off by {format_signed(odd.size, units)} and those after it"
        f" are not: an odd one ({percent(odd.probability)} sure), left out here."
    )


def _format_when(move: Move) -> str:
    first, last = format_date(move.first.time), format_date(move.last.time)
    if move.kind == "step":
        return f"between {first} and {last}" if first != last else f"on {first}"
    return f"since {first}" if first == last else f"since some day from {first} to {last}"


def _format_way(change: Quantity) -> str:
    return f"its right end has gone {'forward' if change.value > 0 else 'back'}"


def _format_basis(trend: Trend) -> str:
    first, last = trend.since[0], trend.since[-1]
    days = (last.time - first.time).days
    return f"({len(trend.since)} readings over {days} day{'' if days == 1 else 's'}.)"
