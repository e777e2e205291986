"""The camera's view: whether the next photo would do, before it is taken."""

from __future__ import annotations

from typing import TYPE_CHECKING

import anyio
from starlette.responses import JSONResponse, Response

from visioncheck.page import work
from visioncheck.page.desk import get_desk
from visioncheck.page.uploads import RefusedForm

if TYPE_CHECKING:
    from starlette.requests import Request

_BUSY = {"do": "The computer is busy; the photo can be taken all the same", "about": "busy", "corners": []}


async def judge_frame(request: Request) -> Response:
    """Judge one frame; nothing of it is kept."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        if form.photo is None:
            raise RefusedForm(400, "There was no frame.")
        purpose = "survey" if form.fields.get("purpose") == "survey" else "piece"
        try:
            judged = await desk.workers.glance(
                work.judge_frame, str(form.photo), purpose, form.fields.get("before", "")
            )
        except (TimeoutError, anyio.BrokenWorkerProcess):
            judged = _BUSY
    return JSONResponse(judged)
