"""Who is let in, the code for another phone, the certificate to trust, and the screen for when the computer is off."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import segno
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from visioncheck.page.desk import Desk, get_desk, get_session
from visioncheck.page.phones import phone_id
from visioncheck.page.safety import ENTER
from visioncheck.page.uploads import RefusedForm
from visioncheck.present.cautions import CAUTIONS

if TYPE_CHECKING:
    from starlette.requests import Request


def show_phones(request: Request) -> Response:
    """List the phones that are let in."""
    desk = get_desk(request)
    trusted = desk.settings.trusted
    if trusted is not None:
        from visioncheck.page.certificate import fingerprint
    phones = [
        {"id": each.id, "called": each.called, "first": _day(each.first), "last": _day(each.last)}
        for each in desk.phones.all()
    ]
    return desk.render(
        request,
        "phones.html.j2",
        phones=phones,
        own=phone_id(get_session(request)),
        addresses=_addresses(desk),
        trusted="" if trusted is None else fingerprint(trusted),
    )


def _addresses(desk: Desk) -> list[str]:
    return [f"{address}{ENTER}{desk.settings.key.token}" for address in desk.settings.addresses]


def _day(seconds: float) -> str:
    return f"{datetime.fromtimestamp(seconds, UTC).astimezone():%Y-%m-%d %H:%M}"


async def name_phone(request: Request) -> Response:
    """Name a phone."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        named = (value for name, value in form.fields.items() if name.startswith("called"))
        desk.phones.call(form.fields.get("phone", ""), next(named, ""))
    return RedirectResponse("/phones", 303)


async def shut_out(request: Request) -> Response:
    """Shut a phone out; the address changes, and the terminal shows the new one."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        id_ = form.fields.get("phone", "")
    try:
        done = desk.phones.shut_out(id_)
    except OSError:
        raise RefusedForm(507, "The computer cannot write that down.", "Free space on its disk.") from None
    if done and desk.settings.addresses:
        print(f"A phone was shut out. New phones come in by:\n\n  {_addresses(desk)[0]}\n", flush=True)
    return RedirectResponse("/phones", 303)


def send_code(request: Request) -> Response:
    """Draw the address for another phone's camera."""
    desk = get_desk(request)
    if not desk.settings.addresses:
        raise HTTPException(404)
    drawn = io.BytesIO()
    code = segno.make(_addresses(desk)[0], error="l", micro=False)
    code.save(drawn, kind="svg", scale=6, border=4, light="white", dark="black")
    return Response(drawn.getvalue(), media_type="image/svg+xml")


def send_certificate(request: Request) -> Response:
    """Send the certificate for the phone to trust."""
    trusted = get_desk(request).settings.trusted
    if trusted is None:
        raise HTTPException(404)
    from visioncheck.page.certificate import as_der

    return Response(
        as_der(trusted),
        media_type="application/x-x509-ca-cert",
        headers={"content-disposition": 'attachment; filename="visioncheck.crt"'},
    )


def show_away(request: Request) -> Response:
    """Give the screen that a phone keeps for when the computer does not answer; no secret is in it."""
    desk = get_desk(request)
    name = desk.settings.addresses[1] if len(desk.settings.addresses) > 1 else ""
    return desk.render(request, "away.html.j2", name=f"{name}/" if name else "", cautions=CAUTIONS)
