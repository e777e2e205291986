"""A log of many entries, for timing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from visioncheck.log.entry import EntryDraft
from visioncheck.log.rows import new_entry
from visioncheck.log.store import Log

if TYPE_CHECKING:
    from pathlib import Path


def make_large_log(folder: Path, entries: int = 10_000) -> None:
    """Fill a new log with typed readings of three sleds, each with a budget of ordinary length."""
    budget = [{"source": f"source number {number}", "u": 0.001234, "dof": 20.0} for number in range(12)]
    with Log.open(folder, create=True) as log, log.writing("nothing was filled in"):
        for number in range(entries):
            error = {"value": number % 17 / 1000, "u": 0.002, "dof": 40.0, "expanded": 0.004}
            reading = {"schema": 1, "status": "measured", "fence_error_deg": error, "budget": budget, "flags": []}
            time = datetime(2020, 1, 1, tzinfo=UTC) + timedelta(hours=number)
            draft = EntryDraft(f"Sled {number % 3}", reading, kind="typed", time=time, note="evening round")
            log.put_entry(new_entry(draft))
