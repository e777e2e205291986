"""Taking a photo of a test piece, waiting for it, and what is said when it cannot be measured."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response

from visioncheck.errors import InputError, UserError
from visioncheck.log.store import Log
from visioncheck.measuring.options import TOLD, read_piece_options
from visioncheck.page.answers import answer_from_entry
from visioncheck.page.desk import Desk, get_desk, get_units, remember
from visioncheck.page.jobs import SHOWN
from visioncheck.page.stock import find_rigs, short_key
from visioncheck.page.uploads import RefusedForm, with_point
from visioncheck.page.views.news import queue_place
from visioncheck.present.flags import FLAGS, remedy
from visioncheck.present.naming import error_sentence

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from starlette.requests import Request

    from visioncheck.page.jobs import Job
    from visioncheck.units import UnitWorld

RIG, NO_RIG, BY_PHONE = "rig", "none", ""
_MOST_CUTS, _LONGEST_TEXT = 50, 300
_FIELDS = (*TOLD, "adjusted", "after", "note")
_EMPTY = dict.fromkeys(_FIELDS, "")
_REMEDIES = {
    "turn": "Take the second photo of the same piece, with its tag, turned by a quarter turn on the sheet.",
    "survey": "The photos are still there. Read the rule again or take what is missing, then finish again.",
}
_MEND = "Mend that, then send the photo again."
_AGAIN = "Take another photo: the whole sheet, from above, sharp, in even light."


def photo_form(request: Request) -> Response:
    """Ask for the photo."""
    desk = get_desk(request)
    sled = desk.sled(request)
    rigs = find_rigs(desk.settings.rigs)
    chosen = request.cookies.get(RIG)
    return desk.render(
        request,
        "photo.html.j2",
        key=request.path_params["key"],
        name=sled.sled.name,
        sled_units=sled.sled.units,
        rigs={key: choice.label for key, choice in rigs.items()},
        chosen=chosen if chosen in rigs or chosen == NO_RIG else BY_PHONE,
        filled=_EMPTY | _filled(desk, request),
        logged=_is_logged(desk.settings.log, sled.sled.name),
    )


def _filled(desk: Desk, request: Request) -> dict[str, Any]:
    """What stands in the form at first: what was said with a photo that was refused, or the move just made."""
    refused = desk.spool.get(request.query_params.get("instead", ""))
    if refused is not None:
        return {name: value for name, value in refused.told.items() if value}
    entry_id = request.query_params.get("after")
    if entry_id is None:
        return {}
    try:
        with Log.open(desk.settings.log, readonly=True) as log:
            # for the log to know of it, and not to take the move for drift
            entry = log.get(entry_id)
            answer = answer_from_entry(log, entry, get_units(request))
            # a reading that orders no move, or none any more, was not followed by one
            return {"adjusted": ", ".join(answer.act), "after": entry.id} if answer.how else {}
    except UserError:
        return {}


def _is_logged(folder: Path, name: str) -> bool:
    with Log.open(folder, readonly=True) as log:
        return name in log.sleds()


async def send_photo(request: Request) -> Response:
    """Take a photo of a test piece into the queue."""
    desk = get_desk(request)
    sled = desk.sled(request)
    async with desk.form(request) as form:
        rigs = find_rigs(desk.settings.rigs)
        chosen = form.fields.get(RIG, BY_PHONE)
        if chosen not in rigs and chosen not in {NO_RIG, BY_PHONE}:
            raise RefusedForm(400, "That survey is not there any more.", "Choose another, then send the photo again.")
        rig = rigs[chosen].file if chosen in rigs else None
        own = {"sled_text": sled.text, "sled_key": request.path_params["key"], "rig": rig, "again": None}
        own |= {"sled": sled.sled.name, "by_phone": chosen == BY_PHONE}
        own["after"] = form.fields.get("after") or None
        told = check_told(form.fields, sled.sled.units) | own
        response = await desk.accept(request, "measure", told, form)
    remember(request, response, RIG, chosen)
    return response


def check_told(fields: Mapping[str, str], units: UnitWorld) -> dict[str, Any]:
    """Check what was said of a piece, and give it as a job is told it.

    Raises
    ------
    RefusedForm
        Something that cannot be.
    """
    told: dict[str, Any] = {name: fields.get(name) or None for name in TOLD}
    told |= {name: with_point(told[name]) for name in ("thickness", "nominal") if told[name]}
    told["cuts"] = _cuts(fields.get("cuts", ""))
    try:
        read_piece_options(units, **told)
    except UserError as problem:
        field = problem.parameter if isinstance(problem, InputError) else ""
        raise RefusedForm(400, error_sentence(problem, "page"), _MEND, field) from None
    return {
        **told,
        "units": units,
        "adjusted": fields.get("adjusted", "")[:_LONGEST_TEXT],
        "note": fields.get("note", "")[:_LONGEST_TEXT],
    }


def _cuts(text: str) -> int | None:
    if not text:
        return None
    if not text.isdecimal() or not 2 <= int(text[:4]) <= _MOST_CUTS:
        remedy = "Write a whole number, 2 or more, then send the photo again."
        raise RefusedForm(400, f"{text!r:.40} is no number of cuts.", remedy, "cuts")
    return int(text)


async def say_when(request: Request) -> Response:
    """Take the answer to whether a photo is of after the adjustment, and measure it so."""
    desk = get_desk(request)
    job = desk.job(request)
    async with desk.form(request) as form:
        taken = form.fields.get("taken")
        if taken not in {"after", "before"}:
            raise RefusedForm(400, "Was the photo taken before or after the change?", "Choose one of the two.")
        if job.answer is not None and job.answer["state"] == "asks":
            # of before: then the change is not noted with this photo
            more = {"sure": True} if taken == "after" else {"adjusted": "", "after": None}
            desk.workers.put(desk.spool.again(replace(job, told=job.told | more)))
    return RedirectResponse(f"/job/{job.id}", 303)


async def say_rig(request: Request) -> Response:
    """Take the answer to which survey belongs to a photo, and measure it with that."""
    desk = get_desk(request)
    job = desk.job(request)
    rigs = find_rigs(desk.settings.rigs)
    async with desk.form(request) as form:
        chosen = form.fields.get(RIG, "")
        if chosen not in rigs and chosen != NO_RIG:
            raise RefusedForm(400, "Which survey belongs to this phone and sheet?", "Go back and choose one.")
        if job.answer is not None and job.answer["state"] == "asks":
            more = {"rig": rigs[chosen].file if chosen in rigs else None, "by_phone": False}
            desk.workers.put(desk.spool.again(replace(job, told=job.told | more)))
    response = RedirectResponse(f"/job/{job.id}", 303)
    remember(request, response, RIG, chosen)
    return response


def show_job(request: Request) -> Response:
    """Show how far a job is, or what came of it."""
    desk = get_desk(request)
    job = desk.job(request)
    if job.answer is None:
        return desk.render(request, "waiting.html.j2", job=job, place=queue_place(desk, job))
    desk.spool.see(job)
    if job.answer["state"] == "broken":
        return desk.render(request, "broken.html.j2", job=job, answer=job.answer)
    if job.answer["state"] == "asks":
        rigs = find_rigs(desk.settings.rigs)
        fitting = {key: choice.label for key, choice in rigs.items() if choice.file in job.answer.get("rigs", ())}
        return desk.render(request, "asks.html.j2", job=job, answer=job.answer, rigs=fitting)
    if job.answer["state"] == "refused":
        code = job.answer["code"]
        advice = remedy(code, "page") if code in FLAGS else _REMEDIES.get(job.kind, _AGAIN)
        return desk.render(request, "refused.html.j2", job=job, answer=job.answer, remedy=advice, again=_again(job))
    return _show_done(desk, request, job, job.answer)


def _show_done(desk: Desk, request: Request, job: Job, answer: dict[str, Any]) -> Response:
    """Show what came of a job that was done."""
    pages = {"groove": "board.html.j2", "refine": "refined.html.j2", "survey": "surveyed.html.j2"}
    if job.kind in pages:
        response = desk.render(request, pages[job.kind], job=job, answer=answer)
        if "rig" in answer:
            remember(request, response, RIG, short_key(answer["rig"]))
        return response
    return RedirectResponse("/survey" if job.kind == "survey photo" else f"/reading/{answer['entry']}", 303)


def show_refused(request: Request) -> Response:
    """Send a refused photo's picture, with what was found and where the trouble is."""
    desk = get_desk(request)
    path = desk.spool.path(desk.job(request)) / SHOWN
    if not path.exists():
        raise HTTPException(404)
    return FileResponse(path, media_type="image/jpeg")


def _again(job: Job) -> str:
    """Where to take another photo for the same purpose."""
    if job.kind.startswith("survey") or job.kind == "refine":
        return "/survey"
    if job.kind == "groove":
        return "/groove"
    if job.kind == "turn":
        return f"/turn/{job.told['again']}"
    return f"/sled/{job.told['sled_key']}?instead={job.id}"


def job_state(request: Request) -> Response:
    """Say how far a job is to the waiting page's script."""
    desk = get_desk(request)
    job = desk.job(request)
    return JSONResponse({"done": job.answer is not None, "place": queue_place(desk, job)})


async def try_again(request: Request) -> Response:
    """Queue a job once more that broke off."""
    desk = get_desk(request)
    job = desk.job(request)
    async with desk.form(request):
        if job.answer is not None and job.answer["state"] == "broken":
            desk.workers.put(desk.spool.again(job))
    return RedirectResponse(f"/job/{job.id}", 303)
