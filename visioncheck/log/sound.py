"""What the log accepts, and what of it may be shown: readings, fence errors and times that can be true."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from visioncheck.errors import InputError, UserError
from visioncheck.log.entry import KINDS, MORE_PHOTOS, STATUSES, content_digest, entry_content
from visioncheck.quantity import Quantity
from visioncheck.saw import LARGEST_ERROR_DEG

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.log.entry import Entry

_AGAIN = "make it again, as JSON of measure or reckon"
_MOST_EXPANDED = 20.0  # Student's t at 95 % is 12.7 for one degree of freedom, and no reading has fewer
_EXPANDED_WITHIN = 0.05
# no zone's clock is further from another's
_AHEAD = timedelta(hours=26)
_EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)


class InFuture(InputError):  # noqa: N818 - it is a question, not a fault
    """A reading whose time has not come yet."""


def reading_text(reading: Mapping[str, Any]) -> str:
    """Write the reading as standard JSON, after a look at what the log relies on.

    Raises
    ------
    UserError
        When it is not a measurement of a schema that this version knows.
    """
    schema, status = reading.get("schema"), reading.get("status")
    # 1: from before questions and refusals had codes (`results.schema_1`)
    if schema not in {1, 2} or isinstance(schema, bool):
        raise UserError(f"The reading has schema {schema!r}, but the log knows 1 and 2; {_AGAIN}.")
    if status not in STATUSES:
        raise UserError(f"The reading's status is {status!r}, not one of {STATUSES}; {_AGAIN}.")
    _require_more_photos(reading)
    try:
        text = json.dumps(reading, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        text.encode()
    except (TypeError, ValueError, RecursionError) as error:
        raise UserError(f"The reading is not standard JSON ({error}); {_AGAIN}.") from error
    return text


def _require_more_photos(reading: Mapping[str, Any]) -> None:
    more = reading.get(MORE_PHOTOS, [])
    whole = isinstance(more, list) and all(isinstance(each, dict) for each in more)
    if not whole or not all(is_photo(each.get("sha256"), each.get("suffix")) for each in more):
        raise UserError(f"The reading's {MORE_PHOTOS} name no photos; {_AGAIN}.")


def is_photo(sha256: object, suffix: object) -> bool:
    """Whether these are the hash and the file ending of a photo, as the log writes them."""
    is_hash = isinstance(sha256, str) and len(sha256) == 64 and set(sha256) <= set("0123456789abcdef")
    return is_hash and isinstance(suffix, str) and suffix in {".jpg", ".png", ".tif", ".heic"}


def fence_error_columns(reading: Mapping[str, Any]) -> tuple[float | None, float | None, float | None]:
    """Value, standard uncertainty (deg) and degrees of freedom of the reading's fence error, if it has one.

    Raises
    ------
    UserError
        When the fence error stands there without a usable uncertainty.
    """
    fence = reading.get("fence_error_deg")
    if fence is None or reading.get("status") != "measured":
        return None, None, None
    if not isinstance(fence, dict):
        raise UserError(f"The reading's fence_error_deg needs value, u and dof as numbers; {_AGAIN}.")
    value, u = _number(fence, "value"), _number(fence, "u")
    dof = math.inf if fence.get("dof") is None else _number(fence, "dof")
    if not (abs(value) <= LARGEST_ERROR_DEG and 0 < u <= LARGEST_ERROR_DEG and dof > 0):
        raise UserError(
            f"The reading's fence error {value} ± {u} deg (dof {dof}) cannot be used: it needs a value and a positive "
            f"standard uncertainty of no more than {LARGEST_ERROR_DEG:g} deg, and positive degrees of freedom."
        )
    if fence.get("expanded") is not None and not u <= _number(fence, "expanded") <= _MOST_EXPANDED * u:
        raise UserError(
            f"The reading's expanded uncertainty {fence['expanded']} deg cannot be that of a standard uncertainty of "
            f"{u} deg; {_AGAIN}."
        )
    return value, u, None if math.isinf(dof) else dof


def _number(fence: Mapping[str, Any], name: str) -> float:
    value = fence.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < math.inf:
        raise UserError(f"The reading's fence_error_deg needs value, u and dof as numbers; {_AGAIN}.")
    try:
        return float(value)
    except OverflowError:
        raise UserError(f"The reading's fence_error_deg has a number that is far too large; {_AGAIN}.") from None


def require_expanded(reading: Mapping[str, Any]) -> None:
    """Require of a new reading that its 95 % interval is the one of its uncertainty and degrees of freedom.

    Raises
    ------
    UserError
        It is another.
    """
    value, u, dof = fence_error_columns(reading)
    if value is None or u is None or reading["fence_error_deg"].get("expanded") is None:
        return
    expanded = float(reading["fence_error_deg"]["expanded"])
    true = Quantity(value, u, "deg", math.inf if dof is None else dof).expanded()
    if abs(expanded - true) > _EXPANDED_WITHIN * true:
        raise UserError(
            f"The reading says ± {expanded:g} deg, but its standard uncertainty and degrees of freedom give "
            f"± {true:.2g} deg; {_AGAIN}."
        )


def require_time(time: datetime, what: str = "The reading") -> None:
    """Require that a reading's time has come, and is one that cameras had.

    Raises
    ------
    InFuture
        It lies in the future.
    UserError
        It lies before 1970.
    """
    if time > datetime.now(UTC) + _AHEAD:
        raise InFuture(
            "time",
            f"{what} is of {time:%Y-%m-%d}, which is still to come, and would count as the newest for good; set the "
            "clock of the camera or of this computer, or give its true <time> (log attach).",
        )
    if time < _EARLIEST:
        said = f"{what} is of {time.year}, before there were such readings; give its true <time> (log attach)."
        raise InputError("time", said)


def find_fault(entry: Entry) -> str | None:
    """Say why an entry of the log cannot be gone by, damaged or taken in by an older version; None: nothing is wrong.

    Raises nothing, whatever the row holds.
    """
    try:
        if content_digest(entry_content(entry)) != entry.digest:
            return "is damaged: its content no longer gives its hash"
        return find_objection(entry)
    except (ValueError, TypeError, AttributeError, KeyError, RecursionError, OverflowError) as error:
        return f"is damaged: {error}"


def find_objection(entry: Entry) -> str | None:
    """Say why what an entry holds would not be accepted, its hash aside; None: it would."""
    try:
        if entry.kind not in KINDS or not entry.sled.strip():
            return "names no sled, or a kind that there is not"
        if not isinstance(entry.reading, dict):
            return "holds no reading"
        if fence_error_columns(entry.reading) != (
            entry.fence_error_deg,
            entry.fence_error_u_deg,
            entry.fence_error_dof,
        ):
            return "has a fence error that is not its reading's"
        reading_text(entry.reading)
        require_time(entry.time, "its reading")
    except UserError as problem:
        return f"cannot be used: {problem}"
    return None
