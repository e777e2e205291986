"""What the log says about a sled, in words."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from visioncheck.correction.words import quantity_json
from visioncheck.units import UnitWorld, format_error

if TYPE_CHECKING:
    from datetime import datetime

    from visioncheck.log.trend import Point, Trend
    from visioncheck.quantity import Quantity


def date_words(time: datetime) -> str:
    """Write a date as ``1 March 2026``, in local time."""
    local = time.astimezone()
    return f"{local.day} {local:%B %Y}"


def signed_words(error: Quantity, units: UnitWorld) -> str:
    """Write a signed angle with its 95 % interval and one workshop unit: ``+0.021° ± 0.006° (+0.37 mm/m)``."""
    ways = format_error(error.value)
    other = ways.in_per_ft if units == "in" else ways.mm_per_m
    return f"{ways.deg} ± {error.expanded():.3f}° ({other})"


def trend_words(trend: Trend, units: UnitWorld) -> list[str]:
    """Say whether the sled has stayed square since it was last adjusted, one sentence a line."""
    if trend.state == "none":
        return ["No reading of this sled has a fence error yet."]
    if trend.change is None:
        return [_single_words(trend.since[0], units)]
    lines = [f"{_change_words(trend, trend.change, units)} {_basis_words(trend)}"]
    if trend.limits is not None:
        low, high = format_error(trend.limits.lower).deg, format_error(trend.limits.upper).deg
        lines.append(f"Control limits from these {trend.limits.readings} readings: {low} to {high}.")
    return lines


def pending_words(adjusted: str) -> list[str]:
    """Say that the sled was adjusted after its newest reading, so that nothing above is of the sled as it is now."""
    return [f"Adjusted since ({adjusted}), and not measured after that: cut a fresh piece."] if adjusted else []


def trend_json(trend: Trend) -> dict[str, Any]:
    """Give the trend as JSON knows it; angles in degrees, keys that do not apply absent."""
    found: dict[str, Any] = {"state": trend.state, "readings": len(trend.since)}
    if trend.since:
        found |= {"since": trend.since[0].time.isoformat(), "adjusted": trend.since[0].adjusted}
    if trend.change is not None:
        found["change_deg"] = quantity_json(trend.change)
    if trend.jump is not None:
        found["jump"] = {"entry": trend.jump.id, "time": trend.jump.time.isoformat()}
    if trend.limits is not None:
        found["limits_deg"] = asdict(trend.limits)
    return found


def _single_words(point: Point, units: UnitWorld) -> str:
    error = signed_words(point.error, units)
    when = (
        f"since the adjustment on {date_words(point.time)}"
        if point.adjusted
        else f"so far, of {date_words(point.time)}"
    )
    return f"One reading {when}: {error}; another one will show whether it stays."


def _start_words(first: Point) -> str:
    if first.adjusted:
        return f"since the last adjustment on {date_words(first.time)}"
    return f"since the first reading on {date_words(first.time)}"


def _change_words(trend: Trend, change: Quantity, units: UnitWorld) -> str:
    start = _start_words(trend.since[0])
    said = signed_words(change, units)
    way = f"its right end has gone {'forward' if change.value > 0 else 'back'}"
    if trend.jump is not None:
        return _jump_words(trend, trend.jump, said, way)
    if trend.state == "drifted":
        return f"The fence has drifted by {said} {start}: {way}."
    if trend.state == "unsure":
        return f"The fence may have moved by {said} {start} ({way}); another reading will tell."
    return f"The change of {said} {start} is within what repeated photos scatter: no drift to be seen."


def _jump_words(trend: Trend, jump: Point, said: str, way: str) -> str:
    before = trend.since[trend.since.index(jump) - 1]
    when = f"between {date_words(before.time)} and {date_words(jump.time)}"
    if trend.state == "drifted":
        return f"The fence moved by {said} {when}: {way}."
    odd = f"The reading of {date_words(jump.time)} does not fit those before it"
    if trend.state == "unsure":
        return f"{odd}: the fence may have moved by {said} {when} ({way}); another reading will tell."
    return f"{odd}, but those after it do: no lasting change to be seen ({said})."


def _basis_words(trend: Trend) -> str:
    first, last = trend.since[0], trend.since[-1]
    days = (last.time - first.time).days
    return f"({len(trend.since)} readings over {days} day{'' if days == 1 else 's'}.)"
