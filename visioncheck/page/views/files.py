"""Files to take along: the target's sheets, the report on all sleds, the log as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

import anyio
from starlette.exceptions import HTTPException
from starlette.responses import Response

from visioncheck.errors import UserError
from visioncheck.page import drawing
from visioncheck.page.desk import get_desk, get_units
from visioncheck.printed.layout import PAPERS

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request

_NAMES = {"a4": "A4", "letter": "Letter", "a3": "A3", "tabloid": "Tabloid"}


def choose_sheets(request: Request) -> Response:
    """Offer the sheets and piece tags."""
    sheets = {}
    for paper in PAPERS:
        for field in ("light", "dark"):
            sheets[f"{paper}-{field}.pdf"] = f"{_NAMES[paper]}, {field} field"
        sheets[f"tags-{paper}.pdf"] = f"Piece tags on {_NAMES[paper]}"
    return get_desk(request).render(request, "sheets.html.j2", sheets=sheets)


async def send_sheets(request: Request) -> Response:
    """Send one PDF."""
    name = request.path_params["name"]
    return await _made(request, name, "application/pdf", drawing.draw_target, name)


async def send_report(request: Request) -> Response:
    """Send the report on all sleds, one page without script."""
    return await _made(request, "report.html", "text/html", drawing.write_report, get_desk(request).settings.log)


async def send_result(request: Request) -> Response:
    """Send one reading as a page of its own."""
    entry, name = request.path_params["entry"], f"reading-{request.path_params['entry']}.html"
    given = (get_desk(request).settings.places, entry, get_units(request))
    try:
        return await _made(request, name, "text/html", drawing.write_result, *given)
    except UserError:
        raise HTTPException(404) from None


async def send_table(request: Request) -> Response:
    """Send the log as CSV."""
    return await _made(request, "log.csv", "text/csv", drawing.write_table, get_desk(request).settings.log)


async def _made(request: Request, name: str, kind: str, make: Callable[..., bytes | None], *given: object) -> Response:
    try:
        content = await get_desk(request).workers.aside(make, *given)
    except (TimeoutError, anyio.BrokenWorkerProcess):
        raise HTTPException(503, "That could not be made; try again.") from None
    if content is None:
        raise HTTPException(404)
    return Response(content, media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'})
