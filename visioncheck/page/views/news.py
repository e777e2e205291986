"""What became of what a phone sent: a line for each job, for the start and the log."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from visioncheck.page.desk import Desk
    from visioncheck.page.jobs import Job
    from visioncheck.present.verdict import Tone

_MOST = 8
_WHAT = {
    "turn": "second photo",
    "survey photo": "photo of the bare sheet",
    "survey": "survey",
    "groove": "grooved board",
}
_WHAT |= {"refine": "refining of a survey", "travel": "blade and travel"}


@dataclass(frozen=True, slots=True)
class NewsLine:
    """One job: where it leads, which it is, what became of it."""

    href: str
    title: str
    said: str
    tone: Tone


def session_news(desk: Desk, session: str) -> list[NewsLine]:
    """What this phone waits for, and what was answered that it has not looked at."""
    waiting = [job for job in desk.spool.unfinished() if job.session == session]
    answered = [job for job in desk.spool.answered() if job.session == session and not job.seen and _is_told(job)]
    return [_line(desk, job) for job in (*waiting, *answered[:_MOST])]


def refused_photos(desk: Desk) -> list[NewsLine]:
    """Photos of all phones that could not be measured, as long as the page remembers them."""
    answered = (job for job in desk.spool.answered() if job.kind in {"measure", "turn", "travel"})
    return [_line(desk, job) for job in answered if job.answer and job.answer["state"] != "done"]


def queue_place(desk: Desk, job: Job) -> str:
    """Where in the queue a job stands."""
    ahead = desk.workers.ahead(job)
    if ahead is None:
        return "It is this one’s turn; a few seconds."
    return f"{ahead} before this one." if ahead else "Next in line."


def _is_told(job: Job) -> bool:
    """A photo that went into the survey shows there."""
    return not (job.kind == "survey photo" and job.answer is not None and job.answer["state"] == "done")


def _line(desk: Desk, job: Job) -> NewsLine:
    answer = job.answer
    tones: dict[str, Tone] = {"done": "inside", "refused": "outside", "broken": "open", "asks": "open"}
    if answer is None:
        return NewsLine(f"/job/{job.id}", _title(job), f"Waits. {queue_place(desk, job)}", "unknown")
    return NewsLine(f"/job/{job.id}", _title(job), _said(job), tones[answer["state"]])


def _said(job: Job) -> str:
    assert job.answer is not None  # asked for those alone
    asked = {"rig": "Which survey belongs to it?"}.get(job.answer.get("about", ""), "Waits for a word of yours.")
    missed = {"survey": "used", "survey photo": "used", "refine": "done"}.get(job.kind, "measured")
    refused = f"Not {missed}: {job.answer.get('sentence', '')}"
    return {"done": "Finished.", "refused": refused, "asks": asked}.get(job.answer["state"], "It broke off.")


def _title(job: Job) -> str:
    when = f"{datetime.fromisoformat(job.received).astimezone():%H:%M:%S}"
    what = ", ".join(each for each in (job.told.get("sled", ""), _WHAT.get(job.kind, "photo")) if each)
    return f"{what[0].upper()}{what[1:]} of {when}"
