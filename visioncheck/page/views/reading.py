"""The answer: a reading of the log with its picture, and what its user can still tell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import anyio.to_thread
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, Response

from visioncheck.errors import UserError
from visioncheck.log.standing import standing_of
from visioncheck.log.store import Log
from visioncheck.page import work
from visioncheck.page.answers import answer_of
from visioncheck.page.desk import desk_of, units_of
from visioncheck.page.stock import key_of
from visioncheck.page.uploads import RefusedForm
from visioncheck.page.views.photo import told_of

if TYPE_CHECKING:
    from starlette.requests import Request

    from visioncheck.log.entry import Entry


def show_reading(request: Request) -> Response:
    """Show what a reading says and what to do."""
    desk = desk_of(request)
    with Log.open(desk.settings.log, readonly=True) as log:
        view = answer_of(log, _entry(log, request), units_of(request))
    return desk.render(request, "reading.html.j2", view=view, key=key_of(view.sled))


async def show_picture(request: Request) -> Response:
    """Send the annotated picture; one that another door brought into the log is drawn now."""
    return await _picture(request, large=False)


async def show_closely(request: Request) -> Response:
    """Send the annotated picture large; drawn when it is asked for."""
    return await _picture(request, large=True)


def look_closely(request: Request) -> Response:
    """Show the large picture, with a way back."""
    desk = desk_of(request)
    with Log.open(desk.settings.log, readonly=True) as log:
        view = answer_of(log, _entry(log, request), units_of(request))
    if view.picture is None:
        raise HTTPException(404)
    return desk.render(request, "look.html.j2", view=view)


async def _picture(request: Request, *, large: bool) -> Response:
    desk = desk_of(request)
    entry, counts = await anyio.to_thread.run_sync(_entry_that_counts, request)
    path = desk.settings.places.picture(entry.id, counts=counts, large=large)
    if not path.exists():
        try:
            drawn = await desk.workers.aside(work.draw_entry, desk.settings.places, entry.id, large)
        except (UserError, TimeoutError, anyio.BrokenWorkerProcess):
            drawn = False
        if not drawn:
            raise HTTPException(404)
    return FileResponse(path, media_type="image/jpeg")


async def tell(request: Request) -> Response:
    """Measure a photo of the log again with what its user now says; the new entry stands in for the old one."""
    desk = desk_of(request)
    async with desk.form(request) as form:
        own = await anyio.to_thread.run_sync(_own, request)
        return await desk.accept(request, "measure", told_of(form.fields, "mm") | own, form, needs_photo=False)


async def ask_turned(request: Request) -> Response:
    """Ask for a second photo of the piece, turned a quarter turn."""
    desk = desk_of(request)
    entry = await anyio.to_thread.run_sync(_entry_of, request)
    return desk.render(request, "turn.html.j2", id=entry.id, name=entry.sled)


async def send_turned(request: Request) -> Response:
    """Read two photos of one piece as one; the new entry stands in for the first photo's."""
    desk = desk_of(request)
    async with desk.form(request) as form:
        own = await anyio.to_thread.run_sync(_own, request)
        return await desk.accept(request, "turn", told_of({}, "mm") | own, form)


def _own(request: Request) -> dict[str, Any]:
    """What a job is told of an entry that it measures again."""
    with Log.open(desk_of(request).settings.log, readonly=True) as log:
        entry = _entry(log, request)
        text = log.document(entry.sled_sha256)
    if text is None or entry.photo_sha256 is None:
        raise RefusedForm(400, "That reading has no photo to measure again.")
    own = {"sled": entry.sled, "sled_key": key_of(entry.sled), "sled_text": text}
    return own | {"rig": None, "by_phone": False, "again": entry.id}


def _entry(log: Log, request: Request) -> Entry:
    try:
        return log.get(request.path_params["entry"])
    except UserError:
        raise HTTPException(404) from None


def _entry_of(request: Request) -> Entry:
    with Log.open(desk_of(request).settings.log, readonly=True) as log:
        return _entry(log, request)


def _entry_that_counts(request: Request) -> tuple[Entry, bool]:
    """Find the entry, and whether it is the one that says what to do."""
    with Log.open(desk_of(request).settings.log, readonly=True) as log:
        entry = _entry(log, request)
        return entry, standing_of(entry, log.entries(sled=entry.sled)).counts
