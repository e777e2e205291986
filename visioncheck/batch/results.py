"""A batch's results: a table for the terminal, CSV for a spreadsheet, JSON lines for programs."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any

from rich.table import Table
from rich.text import Text

from visioncheck.files import as_cell
from visioncheck.present.questions import missing_reason

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from visioncheck.batch.batch import Result

_STYLES = {"refused": "bold red", "measured": "green"}


def result_json(result: Result) -> dict[str, Any]:
    """Write one result: the reading's JSON object, and beside it the file, its sled, state and entry."""
    own: dict[str, Any] = {"file": result.job.label, "sled": result.sled, "state": result.state, "entry": result.entry}
    if "correction" in result.reading:
        own["correction"] = _correction(result)
    reason = _reason(result)
    own |= {"reason": reason} if reason else {}
    return {**own, **{key: value for key, value in result.reading.items() if key not in own}}


def _correction(result: Result) -> dict[str, Any]:
    """What to do: of a reading that a newer one or an adjustment came after, only how it stood."""
    found: dict[str, Any] = result.reading.get("correction") or {}
    if result.counts or not found:
        return found
    from visioncheck.results.advice import without_move

    return without_move(found)


def write_lines(results: Iterable[Result]) -> str:
    """Write JSON lines, one object a photo."""
    return "".join(json.dumps(result_json(result), ensure_ascii=False) + "\n" for result in results)


def write_csv(results: Iterable[Result]) -> str:
    """Write CSV (RFC 4180), one line a photo; empty where nothing applies."""
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, list(_row(None)))
    writer.writeheader()
    writer.writerows({key: as_cell(value) for key, value in _row(result).items()} for result in results)
    return stream.getvalue()


def _row(result: Result | None) -> dict[str, Any]:
    """One line of the CSV; of no result: its headings."""
    reading = {} if result is None else result.reading
    error = reading.get("fence_error_deg") or {}
    move = {} if result is None else _correction(result)
    return {
        "file": None if result is None else result.job.label,
        "sled": None if result is None else result.sled,
        "state": None if result is None else result.state,
        "piece": reading.get("piece"),
        "tag": reading.get("tag"),
        "fence_error_deg": error.get("value"),
        "u_deg": error.get("u"),
        "dof": error.get("dof"),
        "expanded_95_deg": error.get("expanded"),
        "in_per_ft": reading.get("in_per_ft"),
        "mm_per_m": reading.get("mm_per_m"),
        "verdict": move.get("verdict"),
        "probability_inside": move.get("probability_inside"),
        "advice": move.get("advice"),
        "end": move.get("end"),
        "way": move.get("way"),
        "move_mm": (move.get("move_mm") or {}).get("value"),
        "move_expanded_95_mm": (move.get("move_mm") or {}).get("expanded"),
        "flags": " ".join(reading.get("flags", [])),
        "reason": _reason(result) if result else None,
        "entry": None if result is None else result.entry,
    }


def table(results: Iterable[Result]) -> Table:
    """Lay the results out for the terminal; reasons stand below it, see `reasons`."""
    found = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    for heading in ("Photo", "Sled", "Fence error, 95 %", "Verdict, chance inside", "To do", ""):
        found.add_column(heading)
    for result in results:
        error = result.reading.get("fence_error_deg")
        found.add_row(
            Text(result.job.label),
            Text(result.sled or "?"),
            Text(f"{error['value']:+.3f}° ± {error['expanded']:.3f}°" if error else ""),
            *(Text(text) for text in _stands(_correction(result))),
            Text(result.state, style=_STYLES.get(result.state, "")),
        )
    return found


def _stands(correction: Mapping[str, Any]) -> tuple[str, str]:
    """Say the verdict with its chance, and the advice."""
    from visioncheck.present.correction import percent

    if "probability_inside" not in correction:
        return "", ""
    verdict = f"{correction['verdict']}, {percent(correction['probability_inside'])}"
    return verdict, str(correction["advice"])


def reasons(results: Sequence[Result]) -> list[str]:
    """Say why photos have no fence error: what was refused, and what is asked."""
    return [
        f"{result.job.label}: {_without_name(result)}" for result in results if _reason(result) and not result.same_as
    ]


def _reason(result: Result) -> str:
    return result.same_as or missing_reason(result.reading)


def _without_name(result: Result) -> str:
    """Take off the photo's name, which a reason begins with when the photo is at fault."""
    reason = _reason(result)
    for name in (result.job.label, str(result.job.path), result.job.path.name):
        reason = reason.removeprefix(f"{name}: ")
    return reason
