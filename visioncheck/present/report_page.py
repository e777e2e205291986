"""The report on every sled of a log: where each stands, what to do, how it went, worst first."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from visioncheck.errors import InputError, UserError
from visioncheck.log.now import kept_sled, now_from_entries
from visioncheck.log.state import SledNow
from visioncheck.log.trend import trend_points
from visioncheck.photo.load import load_photo
from visioncheck.present.bevel import tilt_lines
from visioncheck.present.cautions import CAUTIONS
from visioncheck.present.correction import format_means, with_range
from visioncheck.present.figures import ShownBudget, ShownChart, ShownPhoto, budget_view, chart_view, photo_view
from visioncheck.present.line import LabelledLine
from visioncheck.present.loop import ShownLoop, shown_loop
from visioncheck.present.now import (
    format_odd,
    format_pieces,
    format_scatter,
    history_line,
    units_of,
    verdict_of_now,
)
from visioncheck.present.pages import render_page
from visioncheck.present.questions import missing_reason
from visioncheck.present.report_rows import Row, row_from_entry
from visioncheck.present.trend import format_date, format_pending, format_signed, format_trend
from visioncheck.present.trend_chart import chart_alternative, format_adjustment
from visioncheck.present.verdict import ShownVerdict, Tone, verdict_view
from visioncheck.results.budget import Budget
from visioncheck.results.from_json import (
    budget_from_json,
    flags_from_json,
    reading_from_json,
)
from visioncheck.results.model import asked, blade_tilt, error_size, seen_doubts
from visioncheck.sled.model import Sled
from visioncheck.units import UnitWorld

if TYPE_CHECKING:
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log

# so that the file stays a few MB and the print a few pages, however long the log
_MOST_PHOTOS = 12
_PHOTOS_A_SLED = 4
_MOST_ROWS = 60
_MOST_POINTS = 300
_MOST_ADJUSTMENTS = 12

_WORST_FIRST: tuple[Tone, ...] = ("outside", "open", "unknown", "inside")
_STATES = {
    "single": "one reading",
    "steady": "steady",
    "unsure": "may have moved",
    "moved": "has moved",
    "drifted": "has drifted",
}


@dataclass(frozen=True, slots=True)
class SledReport:
    """All that the report says of one sled.

    Attributes
    ----------
    anchor : str
        Its place in the page.
    error, todo, state, basis : str
        The newest fence error, what to do, how it has held, and what the verdict rests on.
    line : str
        How it stands, in one line.
    pooling : tuple of str
        How its cuts scatter and which piece is odd, in sentences.
    loop : ShownLoop or None
        The last adjustment.
    trend : tuple of str
        Whether it has stayed square, in sentences.
    badness : tuple of float
        Sorts the worst first.
    """

    name: str
    anchor: str
    verdict: ShownVerdict
    error: str
    todo: str
    state: str
    basis: str
    line: str
    pooling: tuple[str, ...]
    loop: ShownLoop | None
    trend: tuple[str, ...]
    chart: ShownChart | None
    photos: tuple[ShownPhoto, ...]
    photos_left_out: str
    budget: ShownBudget | None
    history: tuple[Row, ...]
    history_left_out: str
    badness: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ReportPage:
    """The whole page."""

    title: str
    subtitle: str
    overview: bool
    cautions: tuple[str, ...]
    sleds: tuple[SledReport, ...]
    passed_over: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Facts:
    """What the log knows of one sled."""

    now: SledNow
    entries: tuple[Entry, ...]
    standing: tuple[Entry, ...]

    @property
    def sled(self) -> Sled | None:
        return self.now.sled

    @property
    def newest(self) -> Entry | None:
        return self.now.newest

    @property
    def pending(self) -> str:
        return self.now.pending

    @property
    def units(self) -> UnitWorld:
        return units_of(self.now)


def report_page(log: Log, sled: str | None = None, made: datetime | None = None) -> str:
    """Write the report on a log's sleds as one HTML page that needs nothing beside it.

    Parameters
    ----------
    log : Log
        Open for reading.
    sled : str or None
        This sled alone.
    made : datetime or None
        The time to write into it; None: now.

    Raises
    ------
    UserError
        The log has no such sled, or cannot be read.
    """
    if sled is not None:
        log.require_sled(sled)
    chosen = log.sleds() if sled is None else [sled]
    if not chosen:
        raise InputError("log", f"The log {log.folder} has no entry yet; measuring with <log> keeps one")
    most_photos = max(1, min(_PHOTOS_A_SLED, _MOST_PHOTOS // len(chosen)))
    now = (made or datetime.now().astimezone()).astimezone()
    views = [_sled_view(log, name, f"sled-{k}", most_photos, now) for k, name in enumerate(chosen, 1)]
    views.sort(key=lambda view: view.badness)
    count = f"{len(chosen)} sled{'s' if len(chosen) > 1 else ''}"
    report = ReportPage(
        title="Are the sleds square?" if sled is None else f"Is {sled} square?",
        subtitle=f"{count} of the calibration log “{log.folder.resolve().name}”, as of {format_date(now)}, {now:%H:%M}",
        overview=sled is None,
        cautions=CAUTIONS,
        sleds=tuple(views),
        passed_over=tuple(log.passed_over.values()),
    )
    return render_page("report.html.j2", report=report)


def _facts(log: Log, name: str, made: datetime) -> _Facts:
    entries = tuple(log.entries(sled=name))
    standing = tuple(entry for entry in entries if entry.corrected_by is None)
    return _Facts(now_from_entries(name, entries, kept_sled(log, name), made), entries, standing)


def _sled_view(log: Log, name: str, anchor: str, most_photos: int, made: datetime) -> SledReport:
    facts = _facts(log, name, made)
    verdict = _verdict(facts)
    points = trend_points(facts.entries)
    sentences = (*format_trend(facts.now.trend, facts.units), *format_pending(facts.pending), *_blade(facts))
    pooled = facts.now.pooled
    is_settled = facts.now.trend.hint is None
    said = (*(format_scatter(pooled) if is_settled else ()), *format_odd(facts.now)) if pooled else ()
    shown = points[-_MOST_POINTS:]
    below = [f"The newest {_MOST_POINTS} of {len(points)} readings."] if len(points) > _MOST_POINTS else []
    below += format_adjustment(shown)[-_MOST_ADJUSTMENTS:]
    photos = [entry for entry in reversed(facts.standing) if entry.photo_sha256]
    more = len(photos) - most_photos
    newest = facts.newest
    return SledReport(
        name=name,
        anchor=anchor,
        verdict=verdict,
        error=_newest_error(facts),
        todo=_todo(facts, verdict),
        state=_state(facts),
        basis=_basis(facts),
        line=history_line(facts.now),
        pooling=tuple(f"{text[0].upper()}{text[1:]}." for text in said),
        loop=shown_loop(facts.now),
        trend=sentences,
        chart=chart_view(shown, name, facts.sled, anchor, chart_alternative(shown, name, facts.units), below)
        if shown
        else None,
        photos=tuple(_photo(log, entry, facts) for entry in photos[:most_photos]),
        photos_left_out=f"{more} older photo{'s' if more > 1 else ''} in the log." if more > 0 else "",
        budget=_budget(newest) if newest else None,
        history=tuple(row_from_entry(entry, facts.sled) for entry in facts.entries[: -_MOST_ROWS - 1 : -1]),
        history_left_out=f"The newest {_MOST_ROWS} of {len(facts.entries)} entries; the log has them all."
        if len(facts.entries) > _MOST_ROWS
        else "",
        badness=_badness(facts, verdict),
    )


def _verdict(facts: _Facts) -> ShownVerdict:
    newest = facts.newest
    if facts.pending:
        lines = [LabelledLine("Adjusted", facts.pending), LabelledLine("Do", "cut and measure a fresh test piece")]
        if newest and newest.fence_error:
            lines.append(LabelledLine("Before that", format_signed(newest.fence_error, facts.units)))
        return ShownVerdict("unknown", "Not measured since it was adjusted", lines=tuple(lines))
    if newest is None:
        last = facts.standing[-1]
        reason = missing_reason(last.reading) or None
        return verdict_view(None, facts.sled, seen_doubts(last.result), error_size(last.result), reason)
    return verdict_of_now(facts.now)


def _blade(facts: _Facts) -> list[str]:
    """Say the newest tilt of the blade, which has no part in the fence's verdict."""
    for entry in reversed(facts.standing):
        tilt = blade_tilt(entry.result)
        if tilt is not None and asked(entry.result) is None:
            height = float(entry.reading["tilt"].get("cut_height_mm", 0.0))
            said = {line.label: line.text for line in tilt_lines(tilt, facts.sled, height)}
            return [
                f"The blade, {format_date(entry.time)}: {said['Tilt']}. {said['Verdict'].capitalize()}: {said['Do']}."
            ]
    return []


def _newest_error(facts: _Facts) -> str:
    if facts.newest is None or facts.newest.fence_error is None:
        return "no fence error read yet"
    assert facts.now.state is not None
    error = format_signed(facts.now.state.error, facts.units)
    return f"{error} before that" if facts.pending else error


def _todo(facts: _Facts, verdict: ShownVerdict) -> str:
    """Say in one sentence what to do, for the overview."""
    correction = facts.now.correction
    if facts.sled is None or correction is None:
        said = {line.label: line.text for line in verdict.lines}
        text = said.get("Do") or said.get("Tell me") or "give its sled file with the next reading"
        return f"{text[0].upper()}{text[1:]}"
    if correction.moves:
        far = with_range(correction.move, facts.sled.units)
        end, way = correction.end.upper(), correction.way.upper()
        return f"Move its {end} end {way} by {far}: {'; '.join(format_means(correction, facts.sled))}"
    (text,) = (line.text for line in verdict.lines if line.label == "Do")
    return f"{text[0].upper()}{text[1:]}"


def _state(facts: _Facts) -> str:
    if facts.newest is None:
        return ""
    if facts.now.trend.since[0].adjusted:
        since = "since the last adjustment"
    else:
        since = "so far" if facts.now.trend.state == "single" else "since the first reading"
    return f"Newest reading {format_date(facts.newest.time)}; {_STATES[facts.now.trend.state]} {since}"


def _basis(facts: _Facts) -> str:
    if facts.newest is None:
        return "No reading in the log has a fence error of this sled."
    entry = facts.newest
    source = f"the photo {entry.file_name}" if entry.photo_sha256 else "readings that were typed in"
    person = f", by {entry.person}" if entry.person else ""
    newest = f"the newest of {format_date(entry.time)}: {source}{person}"
    return f"From {format_pieces(facts.now)}; {newest}. ± is for 95 %."


def _budget(entry: Entry) -> ShownBudget | None:
    """Take the budget over to the fence error: a strip's is that of its taper, a multiple of it."""
    reading, error = entry.reading, entry.fence_error
    parts = budget_from_json(reading)
    budget = Budget("fence error", "°", parts, error.dof if error else math.inf)
    if error is None or not budget.u > 0:
        return None
    if "taper_deg" in reading:
        budget = replace(budget, parts={source: u * error.u / budget.u for source, u in parts.items()})
    return budget_view(budget, surveyed="no-rig" not in flags_from_json(reading), turned="turned" in reading)


def _badness(facts: _Facts, verdict: ShownVerdict) -> tuple[float, ...]:
    error = facts.now.state.error if facts.now.state else None
    ratio = abs(error.value) / facts.sled.tolerance_deg if error and facts.sled else 0.0
    steadiness = {"drifted": 0, "moved": 0, "unsure": 1}.get(facts.now.trend.state, 2)
    return (_WORST_FIRST.index(verdict.tone), steadiness if verdict.tone == "inside" else 0, -ratio)


def _photo(log: Log, entry: Entry, facts: _Facts) -> ShownPhoto:
    path = log.photo_path(entry)
    assert path is not None
    caption = f"{entry.file_name}, {format_date(entry.time)}"
    error = entry.fence_error
    if error is not None:
        caption += f": fence error {format_signed(error, facts.units)}"
    missing = f"The photo {entry.file_name} is missing from the log or damaged; run: visioncheck log check"
    try:
        photo = load_photo(path)
    except UserError:
        return ShownPhoto(missing, caption)
    if photo.sha256 != entry.photo_sha256:
        return ShownPhoto(missing, caption)
    # an older photo's arrow would tell to move again what was moved since
    still = facts.newest is not None and entry.id == facts.newest.id
    correction = facts.now.correction if still else None
    return photo_view(photo, reading_from_json(entry.reading), correction, facts.sled, caption)
