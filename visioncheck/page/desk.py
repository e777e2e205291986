"""What every view needs: the page's settings, its queue, its templates, and how a form is read and answered."""

from __future__ import annotations

from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import anyio
import anyio.to_thread
from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse

from visioncheck.errors import UserError
from visioncheck.page import work
from visioncheck.page.jobs import Job, Spool
from visioncheck.page.phones import Phones
from visioncheck.page.places import Places
from visioncheck.page.safety import Key, Rate
from visioncheck.page.stock import Sleds, find_sleds
from visioncheck.page.uploads import FORM_TOKEN, Bounds, Form, RefusedForm, read_form
from visioncheck.page.workers import Workers

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from starlette.requests import Request

    from visioncheck.measuring.request import SledFile
    from visioncheck.sled.model import Sled
    from visioncheck.units import UnitWorld

UNITS = "units"
REMEMBERED_S = 400 * 86400
"""As long as browsers keep a cookie (RFC 6265bis, 5.5)."""
ONCE = "once"
"""The field by which the page's script marks one sending, so that it can be repeated."""
_LONGEST_ONCE = 64
_HEADER_S = 20.0


@dataclass(frozen=True)
class PageSettings:
    """What the page is started with.

    Attributes
    ----------
    log, sleds, rigs : Path
        Folders; the log is there already.
    key : Key
        The page's key.
    hosts : frozenset of str
        Its own names, as they stand in ``Host`` headers.
    bounds, rate
        Of forms and requests.
    phones : Path or None
        Where the phones that came in are kept; None: nowhere.
    addresses : tuple of str
        Where the page is found, without its token: ``https://192.168.1.20:8765``; the second by its lasting name.
    trusted : Path or None
        The certificate for phones to trust; None: the page is served without.
    """

    log: Path
    sleds: Path
    rigs: Path
    key: Key
    hosts: frozenset[str]
    bounds: Bounds = field(default_factory=Bounds)
    rate: Rate = field(default_factory=Rate)
    phones: Path | None = None
    addresses: tuple[str, ...] = ()
    trusted: Path | None = None

    @property
    def places(self) -> Places:
        """Folders for the work."""
        return Places(self.log, self.rigs, page_folder(self.log))


def page_folder(log: Path) -> Path:
    """Where the page keeps its own files, in the log's folder."""
    return log / "page"


class Desk:
    """PageSettings, spool, workers and templates together; `get_desk` finds it from a request."""

    def __init__(self, settings: PageSettings) -> None:
        self.settings = settings
        self.spool = Spool(settings.places.page)
        self.workers = Workers(self.spool, settings.places)
        self.phones = Phones(settings.phones, settings.key)
        self._sendings: dict[tuple[str, str], anyio.Lock] = {}
        self._templates = Environment(
            loader=ChoiceLoader([PackageLoader("visioncheck.page"), PackageLoader("visioncheck.present")]),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def render(self, request: Request, template: str, status: int = 200, **context: Any) -> HTMLResponse:
        """Fill a template; whatever is put into it is escaped."""
        page = self._templates.get_template(template).render(
            form_token=self.settings.key.form_token(get_session(request)),
            token_name=FORM_TOKEN,
            units=get_units(request),
            path=request.url.path + (f"?{request.url.query}" if request.url.query else ""),
            **context,
        )
        return HTMLResponse(page, status)

    def say(self, request: Request, status: int, sentence: str, remedy: str, field: str = "") -> HTMLResponse:
        """One sentence on a page of its own, and what to do; the form's script marks the `field` at fault."""
        return self.render(request, "message.html.j2", status, sentence=sentence, remedy=remedy, field=field)

    def sleds(self) -> Sleds:
        """The sleds as they are now: a file may have been edited since."""
        return find_sleds(self.settings.sleds, self.settings.log)

    def sled(self, request: Request) -> SledFile:
        """Return the sled in the request's address; raises 404 where there is none."""
        found = self.sleds().by_key.get(request.path_params["key"])
        if found is None:
            raise HTTPException(404)
        return replace(found, sled=in_units(request, found.sled))

    def job(self, request: Request) -> Job:
        """Return the job in the request's address; raises 404 where there is none."""
        job = self.spool.get(request.path_params["job"])
        if job is None:
            raise HTTPException(404)
        return job

    @asynccontextmanager
    async def form(self, request: Request) -> AsyncIterator[Form]:
        """Read the request's form; see `read_form`."""
        session = get_session(request)
        async with read_form(
            request,
            self.spool.incoming,
            self.settings.bounds,
            lambda text: self.settings.key.is_form_token(session, text),
        ) as form:
            yield form

    async def accept(
        self, request: Request, kind: str, told: dict[str, Any], form: Form, *, needs_photo: bool = True
    ) -> RedirectResponse:
        """Queue a job and lead to its page; a form that comes again, as its answer was lost, makes no second one.

        Raises
        ------
        RefusedForm
            No photo, not a photo, or too much is waiting.
        """
        photo = form.photo if needs_photo else None
        if photo is None and needs_photo:
            raise RefusedForm(400, "There was no photo.", "Take one, then send it.")
        session, once = get_session(request), form.fields.get(ONCE, "")[:_LONGEST_ONCE]
        async with self._one_by_one(session, once):
            job = await self._earlier(kind, session, told, photo, once)
            if job is None:
                job = await self._new_job(kind, session, told, photo, once)
        return RedirectResponse(f"/job/{job.id}", 303)

    @asynccontextmanager
    async def _one_by_one(self, session: str, once: str) -> AsyncIterator[None]:
        """Let a sending wait for the same one that came before it and is not accepted yet: its answer was lost."""
        lock = self._sendings.setdefault((session, once), anyio.Lock())
        try:
            async with lock:
                yield
        finally:
            if not lock.locked():
                self._sendings.pop((session, once), None)

    async def _earlier(
        self, kind: str, session: str, told: dict[str, Any], photo: Path | None, once: str
    ) -> Job | None:
        earlier = self.spool.sent(session, once)
        if earlier is None and photo is not None and not once:  # a form without script has no mark
            earlier = await anyio.to_thread.run_sync(self.spool.twin, kind, session, told, photo)
        return earlier

    async def _new_job(self, kind: str, session: str, told: dict[str, Any], photo: Path | None, once: str) -> Job:
        with self.workers.place(session) as free:
            if not free:
                raise RefusedForm(429, "Enough photos are waiting.", "Wait until some of them are read.")
            suffix = "" if photo is None else await self._ending(photo)
            try:
                job = await anyio.to_thread.run_sync(self.spool.accept, kind, session, told, photo, suffix, once)
            except OSError:
                raise RefusedForm(507, "The computer cannot keep the photo.", "Free space on its disk.") from None
        self.workers.put(job)
        return job

    async def _ending(self, photo: Path) -> str:
        try:
            return await self.workers.look(work.picture_ending, str(photo), seconds=_HEADER_S)
        except UserError as problem:
            raise RefusedForm(415, str(problem), "Send a photo as the phone's camera took it.") from None
        except (TimeoutError, anyio.BrokenWorkerProcess):
            raise RefusedForm(
                415, "This photo cannot be read.", "Send a photo as the phone's camera took it."
            ) from None


def get_desk(request: Request) -> Desk:
    """Find the desk of the app that the request came to."""
    desk: Desk = request.app.state.desk
    return desk


def get_session(request: Request) -> str:
    """Session of the request; empty only where the address's token let it in."""
    return request.state.session or ""


def get_units(request: Request) -> UnitWorld | None:
    """Return the units that this phone has chosen; None: the sled's own."""
    chosen = request.cookies.get(UNITS)
    known: dict[str | None, Literal["in", "mm"]] = {"in": "in", "mm": "mm"}
    return known.get(chosen)


def in_units(request: Request, sled: Sled) -> Sled:
    """Let a sled speak in the units that this phone has chosen."""
    units = get_units(request)
    return sled if units is None else replace(sled, units=units)


def remember(request: Request, response: HTMLResponse | RedirectResponse, name: str, value: str) -> None:
    """Set a cookie that no script and no other site's form can use.

    Not strict: from a link in a mail the browser would hold it back, and the phone would be taken for a new one. What
    changes anything is posted, which lax holds back too (RFC 6265bis, 5.6.7), and carries the form's token.
    """
    secure = request.url.scheme == "https"
    response.set_cookie(name, value, max_age=REMEMBERED_S, httponly=True, samesite="lax", secure=secure)
