"""Who may come in: the address's token, the session cookie, forms of our own, known names, a bounded rate."""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import secrets
import time
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from itsdangerous import BadSignature, Signer
from starlette.requests import Request
from starlette.responses import PlainTextResponse

from visioncheck.errors import UserError

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from visioncheck.page.phones import Phones

ENTER = "/enter/"
FORBIDDEN = (
    "This phone is not known here. Open the whole address that the computer shows, or point the camera at its code;"
    " an address of an earlier day may no longer hold."
)
_SECRET_BYTES = 24
_MOST_ADDRESSES = 1000

HEADERS = {
    # nothing but our own files; no script or style inside a page, no frame around it (W3C, Content Security Policy 3)
    "content-security-policy": (
        "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; "
        "manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # not no-referrer: with that a browser says "Origin: null" for our own forms too
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Key:
    """The secret in the page's address, and what follows from it: signed sessions and form tokens.

    Nothing is kept for a session, so phones stay known over a restart.

    Parameters
    ----------
    secret : str
        The token in the address, until a phone that knows it is shut out.
    """

    def __init__(self, secret: str) -> None:
        self._secret = secret
        self.turn = 0
        """How often the address was changed while its sessions stayed."""
        self._sessions, self._forms = (
            Signer(secret, salt=f"visioncheck {purpose}", key_derivation="hmac", digest_method=hashlib.sha256)
            for purpose in ("session", "form")
        )
        # browsers keep cookies by host whatever the port: two pages on one computer must not take each other's
        self.cookie = f"visioncheck-{hashlib.sha256(f'cookie:{secret}'.encode()).hexdigest()[:8]}"

    @property
    def token(self) -> str:
        """The token in the address as it is now."""
        if not self.turn:
            return self._secret
        mixed = hmac.digest(self._secret.encode(), f"enter {self.turn}".encode(), "sha256")
        return base64.urlsafe_b64encode(mixed[:_SECRET_BYTES]).decode()

    def is_token(self, text: str) -> bool:
        """Whether this is the address's token, in the same time for every wrong one."""
        return hmac.compare_digest(text.encode(), self.token.encode())

    def new_session(self) -> str:
        """Return the cookie of a new session."""
        return self._sessions.sign(secrets.token_hex(16)).decode()

    def read_session(self, cookie: str | None) -> str | None:
        """Session of a cookie that this key signed; None for any other."""
        try:
            return self._sessions.unsign(cookie or "").decode()
        except (BadSignature, UnicodeError):
            return None

    def form_token(self, session: str) -> str:
        """What every form of this session carries, so that no other site can post in its name."""
        return self._forms.get_signature(session).decode()

    def is_form_token(self, session: str, text: str) -> bool:
        """Whether a form came from a page of this session."""
        return self._forms.verify_signature(session, text)


def load_key(path: Path, *, new: bool = False) -> Key:
    """Read the key kept in a file that its owner alone may read; made where there is none, or a new one is wanted.

    Raises
    ------
    UserError
        The file cannot be written or read.
    """
    try:
        if new:
            path.unlink(missing_ok=True)
        if not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w") as file:
                file.write(secrets.token_urlsafe(_SECRET_BYTES))
        secret = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"The page's key {path} cannot be used ({error}); remove that file and try again.") from error
    if len(secret) < _SECRET_BYTES:
        raise UserError(f"The page's key {path} is too short to be safe; remove that file and try again.")
    return Key(secret)


@dataclass(frozen=True)
class Rate:
    """How many requests one address may make: so many at once, and so many more each second."""

    burst: float = 150
    each_second: float = 25


class Buckets:
    """A token bucket for each address; the least recently seen addresses are forgotten."""

    def __init__(self, rate: Rate) -> None:
        self.rate = rate
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, address: str) -> bool:
        """Take one request from the address's bucket; False when it is empty."""
        now = time.monotonic()
        left, then = self._left.pop(address, (self.rate.burst, now))
        left = min(self.rate.burst, left + (now - then) * self.rate.each_second)
        allowed = left >= 1
        self._left[address] = (left - 1 if allowed else left, now)
        if len(self._left) > _MOST_ADDRESSES:
            self._left.popitem(last=False)
        return allowed


class Gate:
    """Everything passes here first: rate, name of the host, session; and every answer leaves with safe headers.

    Parameters
    ----------
    app : ASGIApp
        What lies behind.
    key : Key
        The page's key.
    hosts : frozenset of str
        ``Host`` headers that are this page's own; any other name that leads here is an attack by DNS rebinding. They
        are held against the whole header: the framework's own check drops the port, and its answer of another status
        would tell a stranger what it was that was wrong.
    rate : Rate
        Bound for one address.
    phones : Phones
        Who was shut out.
    scheme : {"http", "https"}
        By which the page is served.
    """

    def __init__(self, app: ASGIApp, key: Key, hosts: frozenset[str], rate: Rate, phones: Phones, scheme: str) -> None:
        self.app, self.key, self.hosts, self.phones = app, key, hosts, phones
        self.buckets, self.scheme = Buckets(rate), scheme

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through or answer it in a word."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        elif scope["type"] == "http":
            await self._answer(scope)(scope, receive, _with_headers(send))
        else:
            await send({"type": "websocket.close", "code": 1008})

    def _answer(self, scope: Scope) -> ASGIApp:
        request = Request(scope)
        if not self.buckets.take(request.client.host if request.client else ""):
            return PlainTextResponse("Too many requests", 429, {"retry-after": "5"})
        session = self.key.read_session(request.cookies.get(self.key.cookie))
        if not self._is_own(request) or not (session or self._enters(request)):
            return PlainTextResponse(FORBIDDEN, 403)
        if session and not self.phones.comes(session, request.headers.get("user-agent", "")):
            return PlainTextResponse(FORBIDDEN, 403)
        scope["state"] = {**scope.get("state", {}), "session": session}
        return self.app

    def _is_own(self, request: Request) -> bool:
        origin = request.headers.get("origin")
        own = request.headers.get("host", "") in self.hosts
        return own and (origin is None or origin.removeprefix(f"{self.scheme}://") in self.hosts)

    def _enters(self, request: Request) -> bool:
        path = request.url.path
        return path.startswith(ENTER) and self.key.is_token(path.removeprefix(ENTER))


def _with_headers(send: Send) -> Send:
    async def wrapped(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = [(name.encode(), value.encode()) for name, value in HEADERS.items()]
            given = {name for name, _ in message["headers"]}
            message["headers"] = [*message["headers"], *(pair for pair in own if pair[0] not in given)]
        await send(message)

    return wrapped
