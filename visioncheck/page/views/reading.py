"""The answer: a reading of the log with its picture, and what its user can still tell."""

from __future__ import annotations

import secrets
import shutil
from typing import TYPE_CHECKING

import anyio.to_thread
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, Response

from visioncheck.correction.sled import parse_sled
from visioncheck.errors import UserError
from visioncheck.keep import SledFile
from visioncheck.log.store import Log
from visioncheck.page import work
from visioncheck.page.answers import answer_of
from visioncheck.page.desk import desk_of, units_of
from visioncheck.page.stock import key_of
from visioncheck.page.uploads import RefusedForm
from visioncheck.page.views.photo import told_of

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request

    from visioncheck.log.entry import Entry


_TOLD = {"piece": None, "fence_edge": None, "cuts": None, "thickness_mm": None, "adjusted": "", "note": ""}


def show_reading(request: Request) -> Response:
    """Show what a reading says and what to do."""
    desk = desk_of(request)
    with Log.open(desk.settings.log, readonly=True) as log:
        view = answer_of(log, _entry(log, request), units_of(request))
    return desk.render(request, "reading.html.j2", view=view, key=key_of(view.sled))


async def show_picture(request: Request) -> Response:
    """Send the annotated picture; one that another door brought into the log is drawn now."""
    desk = desk_of(request)
    entry = await anyio.to_thread.run_sync(_entry_of, request)
    path = desk.settings.places.picture(entry.id)
    if not path.exists():
        try:
            drawn = await desk.workers.aside(work.draw_entry, desk.settings.places, entry.id)
        except (UserError, TimeoutError, anyio.BrokenWorkerProcess):
            drawn = False
        if not drawn:
            raise HTTPException(404)
    return FileResponse(path, media_type="image/jpeg")


async def tell(request: Request) -> Response:
    """Measure a photo of the log again with what its user now says; the new entry stands in for the old one."""
    desk = desk_of(request)
    async with desk.form(request) as form:
        entry, sled, photo = await anyio.to_thread.run_sync(_kept, request)
        said = {key: value for key, value in told_of(form.fields, sled).items() if value}
        before = {key: value for key, value in entry.reading.get("told", {}).items() if key in _TOLD}
        told = {
            **_TOLD,
            **before,
            **said,
            "sled_text": sled.text,
            "sled_key": key_of(entry.sled),
            "rig": None,
            "again": entry.id,
        }
        copy = desk.spool.incoming / f"{secrets.token_hex(16)}.part"
        await anyio.to_thread.run_sync(shutil.copyfile, photo, copy)
        return await desk.accept(request, "measure", told, copy)


def _entry(log: Log, request: Request) -> Entry:
    try:
        return log.get(request.path_params["entry"])
    except UserError:
        raise HTTPException(404) from None


def _entry_of(request: Request) -> Entry:
    with Log.open(desk_of(request).settings.log, readonly=True) as log:
        return _entry(log, request)


def _kept(request: Request) -> tuple[Entry, SledFile, Path]:
    """Entry, sled and photo as the log keeps them."""
    with Log.open(desk_of(request).settings.log, readonly=True) as log:
        entry = _entry(log, request)
        text, photo = log.document(entry.sled_sha256), log.photo_path(entry)
    if text is None or photo is None:
        raise RefusedForm(400, "That reading has no photo to measure again.")
    return entry, SledFile(parse_sled(text, f"the sled file of {entry.sled} in the log"), text), photo
