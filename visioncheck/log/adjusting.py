"""A reading that is to be of the sled as it was after an adjustment: refuse what shows it as it was before."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from visioncheck.errors import InputError, UserError
from visioncheck.log.standing import newest_reading

if TYPE_CHECKING:
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log


class TakenBefore(InputError):  # noqa: N818 - it is a question, not a fault
    """A photo said to be of after an adjustment, and its own time says before.

    Parameters
    ----------
    question : str
        What to ask the user: two sentences.
    """

    def __init__(self, question: str) -> None:
        super().__init__(
            "adjusted",
            f"{question} If it is of before, leave <adjusted> out; if the camera's clock is wrong or the reading was "
            "logged late, add <taken_after>.",
        )
        self.question = question


@dataclass(frozen=True, slots=True)
class Moment:
    """That the sled was adjusted just now, as far as it is known.

    Attributes
    ----------
    after : Entry or None
        The reading that the adjustment answers to; None: not said.
    is_sure : bool
        The user says that the photo was taken after the adjustment, whatever its time says.
    """

    after: Entry | None = None
    is_sure: bool = False


def require_after(
    log: Log, sled: str, photo_sha256: str, taken: datetime | None, adjusted: str, moment: Moment
) -> datetime | None:
    """Require that a photo shows the sled as it was after an adjustment that is being noted with it.

    A photo that the log has already was taken before what is noted only now, however often it is sent. One whose own
    time is not later than the newest reading, or than when that was written, was taken before anybody could
    act on it.

    Parameters
    ----------
    log : Log
        Where it is to be kept.
    sled : str
        The sled's name.
    photo_sha256 : str
        The photo's hash.
    taken : datetime or None
        When the camera says it was taken; None where it does not.
    adjusted : str
        What is noted as changed; empty: nothing, and nothing is required.
    moment : Moment
        What is known of when.

    Returns
    -------
    datetime or None
        The time to enter it under, where the photo's own is denied; None: its own.

    Raises
    ------
    UserError
        The log has the photo from before.
    TakenBefore
        The photo's time says that it was taken before.
    """
    if not adjusted:
        return None
    same = log.entry_of_photo(photo_sha256)
    if same is not None and _is_from_before(same, adjusted, moment):
        raise UserError(
            f"This very photo is in the log already (entry {same.id[:8]}), from before what you changed: it cannot "
            "show what came of it. Cut a fresh piece and photograph that."
        )
    others = [each for each in log.entries(sled=sled) if same is None or each.id != same.id]
    before = [each for each in (moment.after, newest_reading(others)) if each is not None]
    newest = max(before, key=lambda each: each.time, default=None)
    if newest is None or taken is None or taken > max(newest.time, newest.written):
        return None
    if not moment.is_sure:
        raise TakenBefore(_question(taken, newest))
    # in the log's order it must come after the reading that it is said to come after
    return None if taken > newest.time else datetime.now(UTC)


def _is_from_before(same: Entry, adjusted: str, moment: Moment) -> bool:
    if moment.after is not None:
        return same.written <= moment.after.written
    return same.adjusted != adjusted


def _question(taken: datetime, newest: Entry) -> str:
    own, read = (f"{time.astimezone():%Y-%m-%d %H:%M}" for time in (taken, max(newest.time, newest.written)))
    return (
        f"This photo says that it was taken on {own}, and the reading before the change was kept on {read}. "
        "Was the photo really taken after the change?"
    )
