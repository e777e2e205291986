"""Coming in, the start, units, and what is said when something is wrong."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from visioncheck.errors import UserError
from visioncheck.log.store import Log
from visioncheck.page.desk import UNITS, get_desk, get_session, in_units, remember
from visioncheck.page.stock import find_rigs
from visioncheck.page.summaries import summarise_sled
from visioncheck.page.uploads import RefusedForm
from visioncheck.page.views.news import session_news
from visioncheck.present.naming import error_sentence

if TYPE_CHECKING:
    from starlette.requests import Request

_OWN_PATH = re.compile(r"/(?!/)[\w/.-]*(\?[\w=&.-]*)?")


def enter(request: Request) -> Response:
    """Come in by the address with the token: from now on the cookie does.

    A page and not a redirect: after a redirect that began at another site the browser would hold the cookie back.
    """
    desk = get_desk(request)
    response = desk.render(request, "enter.html.j2")
    if not get_session(request):
        key = desk.settings.key
        remember(request, response, key.cookie, key.new_session())
    return response


def start(request: Request) -> Response:
    """Show what can be done: the sleds first."""
    desk = get_desk(request)
    sleds = desk.sleds()
    with Log.open(desk.settings.log, readonly=True) as log:
        views = [summarise_sled(log, key, in_units(request, file.sled)) for key, file in sleds.by_key.items()]
    return desk.render(
        request,
        "start.html.j2",
        sleds=views,
        problems=sleds.problems,
        sleds_folder=desk.settings.sleds,
        has_rig=bool(find_rigs(desk.settings.rigs)),
        news=session_news(desk, get_session(request)),
    )


async def choose_units(request: Request) -> Response:
    """Remember inches or millimetres."""
    async with get_desk(request).form(request) as form:
        units, back = form.fields.get("units"), form.fields.get("back", "/")
    if units not in {"in", "mm"}:
        raise RefusedForm(400, "Units are inches or millimetres.")
    response = RedirectResponse(back if _OWN_PATH.fullmatch(back) else "/", 303)
    remember(request, response, UNITS, units)
    return response


async def say_refused(request: Request, error: Exception) -> Response:
    """Answer a form that is not taken."""
    assert isinstance(error, RefusedForm)  # registered for it alone
    return get_desk(request).say(request, error.status, error.sentence, error.remedy, error.field)


async def say_problem(request: Request, error: Exception) -> Response:
    """Answer what the user can mend."""
    assert isinstance(error, UserError)  # registered for it alone
    return get_desk(request).say(request, 400, error_sentence(error, "page"), "Mend that, then try again.")


async def say_http(request: Request, error: Exception) -> Response:
    """Answer an address that is not there, or a wrong way to ask."""
    assert isinstance(error, HTTPException)  # registered for it alone
    sentence = {404: "There is no such page.", 405: "That cannot be done here."}.get(error.status_code, error.detail)
    return get_desk(request).say(request, error.status_code, sentence, "Go to the start.")


async def say_failure(request: Request, _: Exception) -> Response:
    """Answer a fault of our own."""
    return get_desk(request).say(request, 500, "That went wrong, through no fault of yours.", "Try again.")
