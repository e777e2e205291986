"""The calibration log for who calls from Python."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Self

from visioncheck.api.lengths import RepeatLengths
from visioncheck.api.results import Measurement, TypedMeasurement, draft_entry
from visioncheck.api.travel import BladeTravel
from visioncheck.errors import InputError
from visioncheck.given import StrPath, as_path

if TYPE_CHECKING:
    from datetime import datetime
    from types import TracebackType

    from visioncheck.fence.pooled import Pooled
    from visioncheck.log.entry import Entry
    from visioncheck.log.state import SledNow
    from visioncheck.log.store import Log
    from visioncheck.log.trend import Trend


class CalibrationLog:
    """A log of readings with their photos, open; use it in a ``with`` block.

    Entries are never edited: a photo measured again corrects its earlier entry.
    """

    def __init__(self, log: Log) -> None:
        self._log = log

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close it; nothing can be added or read then."""
        self._log.close()

    def add(
        self,
        found: Measurement | TypedMeasurement | RepeatLengths | BladeTravel,
        *,
        person: str = "",
        note: str = "",
        adjusted: str = "",
        time: datetime | None = None,
    ) -> Entry:
        """Keep a result, with its photo and the texts of its sled and rig.

        Parameters
        ----------
        found : Measurement, TypedMeasurement, RepeatLengths or BladeTravel
            Made with a sled's file.
        person, note : str
            Who took the photo, and anything worth remembering.
        adjusted : str
            What was changed on the sled since the reading before this one.
        time : datetime, optional
            When the test cut was read, with its time zone; without it the photo's own time, of typed readings now.

        Returns
        -------
        Entry
            The new entry (of slots the first one's), or the one that says the same of this photo already.

        Raises
        ------
        UserError
            No sled's file, a photo that is gone or was changed, or a log that cannot be written; it is as before.
        """
        if time is not None and time.tzinfo is None:
            raise InputError("time", f"<time> {time} has no time zone; write it such as time.astimezone()")
        if isinstance(found, TypedMeasurement):
            draft = draft_entry(found, person=person, note=note, adjusted=adjusted)
            return self._log.attach(replace(draft, time=time))
        if isinstance(found, RepeatLengths | BladeTravel):
            return found.keep(self._log, person=person, note=note, adjusted=adjusted, time=time)[0]
        if not isinstance(found, Measurement):
            raise InputError("found", f"<found> is {found!r:.60}; give what measure or compute returned")
        from visioncheck.measuring.keep import attach_outcome

        found.require_kept_sled()
        return attach_outcome(
            self._log, found.outcome, person=person, note=note, adjusted=adjusted, time=time, now=None
        )

    def sleds(self) -> list[str]:
        """Names of all sleds that the log has readings of."""
        return self._log.sleds()

    def entries(self, sled: str | None = None) -> Iterator[Entry]:
        """Entries in order of time, of one sled or of all."""
        return self._log.entries(sled=sled)

    def trend(self, sled: str) -> Trend:
        """Say whether a sled has moved since it was last adjusted.

        Raises
        ------
        InputError
            The log has no reading of this sled.
        """
        return self._now(sled).trend

    def now(self, sled: str) -> SledNow:
        """Say how a sled stands: all its readings since it was changed as one, what to do, its last adjustment.

        Raises
        ------
        InputError
            The log has no reading of this sled.
        """
        return self._now(sled)

    def pooled(self, sled: str) -> Pooled:
        """Take a sled's readings since it was last changed, by hand or by a bump, as one.

        Raises
        ------
        InputError
            The log has no reading of this sled.
        """
        pooled = self._now(sled).pooled
        assert pooled is not None
        return pooled

    def _now(self, sled: str) -> SledNow:
        from visioncheck.log.now import sled_now

        now = sled_now(self._log, sled)
        if now.pooled is None:
            known = ", ".join(self._log.sleds()) or "none"
            raise InputError("sled", f"<sled> {sled!r} has no readings in the log {self._log.folder}; it has: {known}")
        return now


def open_log(path: StrPath, *, create: bool = False, readonly: bool = False) -> CalibrationLog:
    """Open a calibration log: a folder.

    Parameters
    ----------
    path : str or Path
        The folder.
    create : bool
        Make a new log where there is none; the folder must be new or empty.
    readonly : bool
        Never write; works from a folder that cannot be written.

    Raises
    ------
    UserError
        No log there, made by a newer version, or a folder that cannot be written.

    Examples
    --------
    >>> import tempfile, visioncheck
    >>> with tempfile.TemporaryDirectory() as folder, visioncheck.open_log(folder, create=True) as log:
    ...     found = visioncheck.compute(angle=90.08, sled="fixtures/sleds/alder-lane.toml")
    ...     entry = log.add(found, note="protractor")
    ...     entry.sled, log.trend("Alder Lane").state
    ('Alder Lane', 'single')
    """
    from visioncheck.log.store import Log

    return CalibrationLog(Log.open(as_path("path", path, "a log's folder"), create=create, readonly=readonly))
