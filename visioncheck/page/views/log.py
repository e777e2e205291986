"""Browsing the log: its entries, the newest first, and a chart of each sled."""

from __future__ import annotations

from typing import TYPE_CHECKING

import anyio
import anyio.to_thread
from starlette.exceptions import HTTPException
from starlette.responses import Response

from visioncheck.log.now import now_from_entries
from visioncheck.log.store import Log
from visioncheck.log.trend import assess, trend_points
from visioncheck.measuring.request import sled_in_log
from visioncheck.page import drawing
from visioncheck.page.desk import get_desk, get_units, in_units
from visioncheck.page.stock import short_key
from visioncheck.page.summaries import row_from_entry
from visioncheck.page.views.news import refused_photos
from visioncheck.present.loop import shown_loop
from visioncheck.present.now import history_line, now_lines, verdict_of_now
from visioncheck.present.trend import format_trend
from visioncheck.present.trend_chart import chart_alternative

if TYPE_CHECKING:
    from starlette.requests import Request

_ROWS = 15
_LAST = 8
"""So many readings of a sled stand on its own screen."""
_IN_LOOP = {"Last move", "  before", "  foretold", "  then", "  so", "Learnt"}
"""Lines whose place is taken by the last change side by side."""


def show_log(request: Request) -> Response:
    """List the entries, the newest first."""
    desk = get_desk(request)
    text = request.query_params.get("page", "1")
    page = max(1, int(text[:6])) if text.isdecimal() else 1
    with Log.open(desk.settings.log, readonly=True) as log:
        names = log.sleds()
        # one more than is shown tells whether there are older ones
        entries = list(log.entries(limit=page * _ROWS + 1))[::-1]
        shown = entries[(page - 1) * _ROWS : page * _ROWS]
        rows = [row_from_entry(log, entry, get_units(request)) for entry in shown]
    return desk.render(
        request,
        "log.html.j2",
        rows=rows,
        page=page,
        more=len(entries) > page * _ROWS,
        refused=refused_photos(desk) if page == 1 else [],
        sleds={short_key(name): name for name in names},
    )


def show_sled(request: Request) -> Response:
    """Say all of one sled: how it stands, what to do, how the last change came out, whether it has stayed square."""
    desk = get_desk(request)
    key = request.path_params["key"]
    units = get_units(request)
    with Log.open(desk.settings.log, readonly=True) as log:
        name = _name(log, request)
        entries = list(log.entries(sled=name))
        points = trend_points(entries)
        known = desk.sleds().by_key.get(key)
        file = known or sled_in_log(log, name)
        sled = None if file is None else in_units(request, file.sled)
        now = now_from_entries(name, entries, sled)
        loop = shown_loop(now)
        rows = [row_from_entry(log, entry, units) for entry in entries[: -_LAST - 1 : -1]]
    world = units or (sled.units if sled else "mm")
    return desk.render(
        request,
        "trend.html.j2",
        name=name,
        key=key,
        verdict=verdict_of_now(now, "page") if now.state and not now.pending else None,
        story=history_line(now).removeprefix(f"{name}: "),
        lines=[line for line in now_lines(now, "page") if loop is None or line.label not in _IN_LOOP],
        loop=loop,
        newest=now.newest.id if now.newest else None,
        sentences=format_trend(assess(points), world),
        alternative=chart_alternative(points, name, world),
        has_points=bool(points),
        rows=rows,
        is_file=known is not None,
    )


async def show_chart(request: Request) -> Response:
    """Send a sled's chart."""
    desk = get_desk(request)
    name = await anyio.to_thread.run_sync(_remembered_name, request)
    try:
        chart = await desk.workers.aside(drawing.draw_log_chart, desk.settings.log, name, get_units(request))
    except (TimeoutError, anyio.BrokenWorkerProcess):
        raise HTTPException(503, "The chart could not be drawn; try again.") from None
    return Response(chart, media_type="image/png")


def _name(log: Log, request: Request) -> str:
    found = {short_key(name): name for name in log.sleds()}.get(request.path_params["key"])
    if found is None:
        raise HTTPException(404)
    return found


def _remembered_name(request: Request) -> str:
    with Log.open(get_desk(request).settings.log, readonly=True) as log:
        return _name(log, request)
