"""The page as an ASGI application: addresses, views, and the gate before them."""

from __future__ import annotations

import gzip
from contextlib import asynccontextmanager
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

import anyio
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from visioncheck.errors import UserError
from visioncheck.page.desk import Desk, PageSettings
from visioncheck.page.safety import Gate
from visioncheck.page.uploads import RefusedForm
from visioncheck.page.views import files as files_to_take
from visioncheck.page.views import framing, grooves, log, phones, photo, reading, sleds, start, survey, tolerance, typed

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from starlette.requests import Request

_ASSETS = {
    "style.css": ("visioncheck.present", "templates/style.css", "text/css"),
    "page.css": ("visioncheck.page", "static/page.css", "text/css"),
    "icon.svg": ("visioncheck.page", "static/icon.svg", "image/svg+xml"),
    "page.js": ("visioncheck.page", "static/page.js", "text/javascript"),
    "page.webmanifest": ("visioncheck.page", "static/page.webmanifest", "application/manifest+json"),
    "icon-192.png": ("visioncheck.page", "static/icon-192.png", "image/png"),
    "icon-512.png": ("visioncheck.page", "static/icon-512.png", "image/png"),
}


def build_app(settings: PageSettings) -> Gate:
    """Put the page together; raises UserError where its folder cannot be used."""
    desk = Desk(settings)
    desk.spool.open()
    app = Starlette(
        routes=_routes(),
        lifespan=_lifespan,
        exception_handlers={
            RefusedForm: start.say_refused,
            UserError: start.say_problem,
            HTTPException: start.say_http,
            Exception: start.say_failure,
        },
    )
    app.state.desk = desk
    scheme = "https" if settings.trusted else "http"
    return Gate(app, settings.key, settings.hosts, settings.rate, desk.phones, scheme)


@asynccontextmanager
async def _lifespan(app: Starlette) -> AsyncIterator[None]:
    desk: Desk = app.state.desk
    async with anyio.create_task_group() as group:
        await group.start(desk.workers.run)
        yield
        group.cancel_scope.cancel()


def _asset(request: Request) -> Response:
    found = _ASSETS.get(request.path_params["name"])
    if found is None:
        raise HTTPException(404)
    headers = {"cache-control": "private, max-age=600", "vary": "accept-encoding"}
    content, packed = _contents(*found[:2])
    # what is the same for everyone holds no secret that its packed length could tell; pages are sent as they are
    if "gzip" in request.headers.get("accept-encoding", "") and len(packed) < len(content):
        content, headers = packed, headers | {"content-encoding": "gzip"}
    return Response(content, media_type=found[2], headers=headers)


@cache
def _contents(package: str, name: str) -> tuple[bytes, bytes]:
    """Give a file as it is, and packed."""
    content = files(package).joinpath(*name.split("/")).read_bytes()
    return content, gzip.compress(content, mtime=0)


def _worker(_: Request) -> Response:
    """Send what stands in when the computer does not answer; from the top, since it may stand in for any address."""
    content = files("visioncheck.page").joinpath("static", "worker.js").read_bytes()
    return Response(content, media_type="text/javascript")


def _routes() -> list[Route]:
    def post(path: str, view: object) -> Route:
        return Route(path, view, methods=["POST"])  # type: ignore[arg-type]

    return [
        Route("/enter/{token}", start.enter),
        Route("/", start.start),
        post("/units", start.choose_units),
        Route("/asset/{name}", _asset),
        Route("/worker.js", _worker),
        Route("/away", phones.show_away),
        Route("/phones", phones.show_phones),
        post("/phones/name", phones.name_phone),
        post("/phones/out", phones.shut_out),
        Route("/code.svg", phones.send_code),
        Route("/certificate", phones.send_certificate),
        Route("/sleds/new", sleds.ask_new),
        post("/sleds", sleds.write_new),
        Route("/sled/{key}", photo.photo_form),
        Route("/sled/{key}/described", sleds.ask_again),
        post("/sled/{key}/described", sleds.write_again),
        Route("/tolerance", tolerance.choose_work),
        Route("/tolerance/{kind}.png", tolerance.send_drawing),
        Route("/tolerance/{kind}", tolerance.show_tolerance),
        Route("/groove", grooves.show_groove),
        Route("/groove.png", grooves.send_drawing),
        post("/groove/photo", grooves.send_board),
        post("/sled/{key}/photo", photo.send_photo),
        Route("/job/{job}", photo.show_job),
        Route("/job/{job}/state", photo.job_state),
        Route("/job/{job}/picture", photo.show_refused),
        post("/job/{job}/again", photo.try_again),
        post("/job/{job}/when", photo.say_when),
        post("/job/{job}/rig", photo.say_rig),
        Route("/reading/{entry}", reading.show_reading),
        Route("/picture/{entry}", reading.show_picture),
        Route("/look/{entry}", reading.look_closely),
        Route("/close/{entry}", reading.show_closely),
        Route("/edge/{entry}/{edge:int}", reading.show_edge),
        Route("/result/{entry}.html", files_to_take.send_result),
        post("/reading/{entry}/tell", reading.tell),
        post("/reading/{entry}/withdraw", reading.withdraw),
        Route("/turn/{entry}", reading.ask_turned),
        post("/turn/{entry}", reading.send_turned),
        Route("/travel/{entry}", reading.ask_travel),
        post("/travel/{entry}", reading.send_travel),
        post("/frame", framing.judge_frame),
        Route("/survey", survey.show_survey),
        post("/survey/photo", survey.send_survey_photo),
        post("/survey/remove", survey.remove_photo),
        post("/survey/over", survey.start_over),
        Route("/survey/finish", survey.show_finish),
        post("/survey/finish", survey.finish_survey),
        post("/survey/refine", survey.refine_rig),
        Route("/print/{job}", survey.show_print),
        Route("/log", log.show_log),
        Route("/log.csv", files_to_take.send_table),
        Route("/report.html", files_to_take.send_report),
        Route("/sheets", files_to_take.choose_sheets),
        Route("/sheets/{name}", files_to_take.send_sheets),
        Route("/trend/{key}", log.show_sled),
        Route("/chart/{key}", log.show_chart),
        Route("/typed/{key}", typed.choose_way),
        Route("/typed/{key}/{way}", typed.ask),
        post("/typed/{key}/{way}", typed.take),
    ]
