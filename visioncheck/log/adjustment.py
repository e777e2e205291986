"""An adjustment as structure, kept in the reading that was logged with it: what was ordered and what was done."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.correction.done import Done, read_done
from visioncheck.errors import UserError
from visioncheck.log.entry import ADJUSTMENT
from visioncheck.log.now import now_from_entries
from visioncheck.results.advice import correction_json
from visioncheck.results.numbers import quantity_json
from visioncheck.sled.file import parse_sled

if TYPE_CHECKING:
    from visioncheck.log.entry import EntryDraft
    from visioncheck.log.queries import Queries
    from visioncheck.sled.model import Sled


def with_adjustment(log: Queries, draft: EntryDraft) -> dict[str, Any]:
    """Give a draft's reading with its adjustment as structure.

    Parameters
    ----------
    log : Queries
        The log that it goes into, as it stands: what was ordered follows from the readings before.
    draft : EntryDraft
        With `adjusted`, in the user's words.

    Returns
    -------
    dict
        The reading's JSON object; where they are known with the key ``adjustment``: ``ordered`` (the correction that
        was named, with ``before_deg`` and ``after_deg``) and ``done`` (``turns``, clockwise positive, or
        ``forward_mm``).
    """
    reading = dict(draft.reading)
    if not draft.adjusted:
        return reading
    found: dict[str, Any] = {}
    sled = _sled(log, draft)
    if sled is not None:
        entries = [each for each in log.entries(sled=draft.sled) if draft.time is None or each.time < draft.time]
        ordered = now_from_entries(draft.sled, entries, sled).correction
        if ordered is not None and ordered.moves:
            found["ordered"] = correction_json(ordered) | {"before_deg": quantity_json(ordered.error)}
        done = read_done(draft.adjusted, sled, ordered)
        found |= {} if done is None else {"done": _done_json(done)}
    return reading | ({ADJUSTMENT: found} if found else {})


def _sled(log: Queries, draft: EntryDraft) -> Sled | None:
    text = draft.sled_text or log.sled_text(draft.sled)
    try:
        return None if text is None else parse_sled(text, draft.sled)
    except UserError:
        return None


def _done_json(done: Done) -> dict[str, Any]:
    return {"turns": list(done.turns)} if done.forward_mm is None else {"forward_mm": done.forward_mm}
