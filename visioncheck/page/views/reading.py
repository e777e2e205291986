"""The answer: a reading of the log with its picture, and what its user can still tell."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import anyio
import anyio.to_thread
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, RedirectResponse, Response

from visioncheck.errors import UserError
from visioncheck.log.drafts import draft_from_entry
from visioncheck.log.standing import find_standing
from visioncheck.log.store import Log
from visioncheck.page import drawing
from visioncheck.page.answers import answer_from_entry
from visioncheck.page.desk import Desk, get_desk, get_units
from visioncheck.page.stock import short_key
from visioncheck.page.uploads import RefusedForm
from visioncheck.page.views.photo import check_told
from visioncheck.results.as_json import withdrawn_json
from visioncheck.results.model import WithdrawnResult
from visioncheck.sled.file import parse_sled

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request

    from visioncheck.log.entry import Entry


_LONGEST_REASON = 300


def show_reading(request: Request) -> Response:
    """Show what a reading says and what to do."""
    desk = get_desk(request)
    with Log.open(desk.settings.log, readonly=True) as log:
        entry = _entry(log, request)
        view = answer_from_entry(log, entry, get_units(request))
        mends = entry.corrected_by is None and entry.reading.get("status") != "refused"
    sleds = {key: file.sled.name for key, file in desk.sleds().by_key.items()} if mends else {}
    return desk.render(request, "reading.html.j2", view=view, key=short_key(view.sled), mends=mends, sleds=sleds)


async def show_picture(request: Request) -> Response:
    """Send the annotated picture; one that another door brought into the log is drawn now."""
    return await _picture(request, large=False)


async def show_closely(request: Request) -> Response:
    """Send the annotated picture large; drawn when it is asked for."""
    return await _picture(request, large=True)


def look_closely(request: Request) -> Response:
    """Show the large picture, with a way back."""
    desk = get_desk(request)
    with Log.open(desk.settings.log, readonly=True) as log:
        view = answer_from_entry(log, _entry(log, request), get_units(request))
    if view.picture is None:
        raise HTTPException(404)
    return desk.render(request, "look.html.j2", view=view)


async def show_edge(request: Request) -> Response:
    """Send one edge close up; drawn when it is asked for."""
    desk = get_desk(request)
    entry, _ = await anyio.to_thread.run_sync(_entry_that_counts, request)
    path = desk.settings.places.close_up(entry.id, request.path_params["edge"])
    if not path.exists() and not (await _drawn(desk, drawing.draw_closely, entry.id) and path.exists()):
        raise HTTPException(404)
    return FileResponse(path, media_type="image/jpeg")


async def _picture(request: Request, *, large: bool) -> Response:
    desk = get_desk(request)
    entry, counts = await anyio.to_thread.run_sync(_entry_that_counts, request)
    path = desk.settings.places.picture(entry.id, counts=counts, large=large)
    drawn = path.exists() or (large and await _drawn(desk, drawing.draw_closely, entry.id))
    if not drawn and not await _drawn(desk, drawing.draw_entry, entry.id, large):
        raise HTTPException(404)
    return FileResponse(path, media_type="image/jpeg")


async def _drawn(desk: Desk, draw: Callable[..., bool], *given: object) -> bool:
    try:
        return await desk.workers.aside(draw, desk.settings.places, *given)
    except (UserError, TimeoutError, anyio.BrokenWorkerProcess):
        return False


async def tell(request: Request) -> Response:
    """Measure a photo of the log again with what its user now says; the new entry stands in for the old one."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        own = await anyio.to_thread.run_sync(_own, request)
        chosen = form.fields.get("sled")
        if chosen:
            own |= _other_sled(desk, chosen)
        units = get_units(request) or parse_sled(own["sled_text"], "the sled file").units
        return await desk.accept(request, "measure", check_told(form.fields, units) | own, form, needs_photo=False)


def _other_sled(desk: Desk, key: str) -> dict[str, Any]:
    file = desk.sleds().by_key.get(key)
    if file is None:
        raise RefusedForm(400, "That sled is not there any more.", "Go back and choose another.")
    return {"sled": file.sled.name, "sled_key": key, "sled_text": file.text}


async def withdraw(request: Request) -> Response:
    """Withdraw a reading: a new entry without a value stands in for it, and nothing is lost."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        reason = form.fields.get("reason", "")[:_LONGEST_REASON] or "by the page's user"
        id_ = await anyio.to_thread.run_sync(_withdrawn, request, reason)
    return RedirectResponse(f"/reading/{id_}", 303)


def _withdrawn(request: Request, reason: str) -> str:
    with Log.open(get_desk(request).settings.log) as log:
        old = _entry(log, request)
        if old.corrected_by is not None or old.reading.get("status") == "refused":
            raise RefusedForm(400, "That reading does not count any more.", "Go to the log.")
        draft = replace(
            draft_from_entry(log, old), reading=withdrawn_json(WithdrawnResult(reason, old.reading.get("photo")))
        )
        return log.attach(draft).id


async def ask_turned(request: Request) -> Response:
    """Ask for a second photo of the piece, turned a quarter turn."""
    desk = get_desk(request)
    entry = await anyio.to_thread.run_sync(_find_entry, request)
    piece = entry.reading.get("piece")
    return desk.render(request, "turn.html.j2", id=entry.id, name=entry.sled, piece=piece)


async def send_turned(request: Request) -> Response:
    """Read two photos of one piece or of two cuts as one; the new entry stands in for the first photo's."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        own = await anyio.to_thread.run_sync(_own, request)
        told = check_told({"recut": form.fields.get("recut", "")}, "mm")
        return await desk.accept(request, "turn", told | own, form)


async def ask_travel(request: Request) -> Response:
    """Ask which other slots of the sled tell of the blade against the travel, with this one."""
    desk = get_desk(request)
    entry, others = await anyio.to_thread.run_sync(_slots, request)
    return desk.render(request, "travel.html.j2", id=entry.id, name=entry.sled, others={"": "none"} | others)


async def send_travel(request: Request) -> Response:
    """Hold a slot against others of the log; the new entry stands in for the first one's."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        _, others = await anyio.to_thread.run_sync(_slots, request)
        roles = {role: form.fields.get(role) or None for role in ("other_end", "pulled_back")}
        told = [chosen for chosen in roles.values() if chosen is not None]
        if any(chosen not in others for chosen in told):
            raise RefusedForm(400, "That slot is not there any more.", "Go back and choose another.")
        if len(set(told)) < len(told):
            raise RefusedForm(400, "One slot cannot be both.", "Choose two slots, or one of the two.")
        own = await anyio.to_thread.run_sync(_own, request)
        return await desk.accept(request, "travel", roles | own, form, needs_photo=False)


def _slots(request: Request) -> tuple[Entry, dict[str, str]]:
    """The slot that was asked about, and the sled's others that stand: when they were read and how wide they are."""
    units = get_units(request) or "mm"
    with Log.open(get_desk(request).settings.log, readonly=True) as log:
        entry = _entry(log, request)
        if not _is_slot(entry):
            raise HTTPException(404)
        others = [each for each in log.entries(sled=entry.sled) if _is_slot(each) and each.corrected_by is None]
        views = [answer_from_entry(log, each, units) for each in others if each.id != entry.id]
    return entry, {view.id: f"{view.when}: {view.act[0]}" for view in views}


def _is_slot(entry: Entry) -> bool:
    return entry.photo_sha256 is not None and entry.reading.get("piece") == "slot" and entry.result.kind == "slot"


def _own(request: Request) -> dict[str, Any]:
    """What a job is told of an entry that it measures again."""
    with Log.open(get_desk(request).settings.log, readonly=True) as log:
        entry = _entry(log, request)
        text = log.document(entry.sled_sha256)
    if text is None or entry.photo_sha256 is None:
        raise RefusedForm(400, "That reading has no photo to measure again.")
    own = {"sled": entry.sled, "sled_key": short_key(entry.sled), "sled_text": text}
    return own | {"rig": None, "by_phone": False, "again": entry.id}


def _entry(log: Log, request: Request) -> Entry:
    try:
        return log.get(request.path_params["entry"])
    except UserError:
        raise HTTPException(404) from None


def _find_entry(request: Request) -> Entry:
    with Log.open(get_desk(request).settings.log, readonly=True) as log:
        return _entry(log, request)


def _entry_that_counts(request: Request) -> tuple[Entry, bool]:
    """Find the entry, and whether it is the one that says what to do."""
    with Log.open(get_desk(request).settings.log, readonly=True) as log:
        entry = _entry(log, request)
        return entry, find_standing(entry, log.entries(sled=entry.sled)).counts
