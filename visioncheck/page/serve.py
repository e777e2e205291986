"""Serving the page: its address, the code for the phone's camera, and the server itself."""

from __future__ import annotations

import hashlib
import io
import ipaddress
import socket
import sqlite3
import sys
from contextlib import contextmanager, nullcontext, suppress
from typing import TYPE_CHECKING, Any

import segno
import uvicorn
from platformdirs import user_state_path
from uvicorn.protocols.http.h11_impl import H11Protocol

from visioncheck.errors import InputError, UserError
from visioncheck.log.store import Log
from visioncheck.page.app import build_app
from visioncheck.page.certificate import certificate_for, fingerprint
from visioncheck.page.desk import PageSettings, page_folder
from visioncheck.page.naming import answering, page_name
from visioncheck.page.safety import ENTER, load_key
from visioncheck.present.naming import as_option

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Iterator
    from pathlib import Path

LOOPBACK = "127.0.0.1"
_NOWHERE = "192.0.2.1"
"""Set aside for documentation (RFC 5737)."""
_HEAD_S = 15.0
_MOST_CONNECTIONS, _MOST_OF_ONE = 400, 64


def lan_address(wanted: str | None = None) -> str:
    """Return this computer's address on its network.

    Parameters
    ----------
    wanted : str or None
        The address to use, where the computer has several.

    Raises
    ------
    UserError
        No network, or not an address of this computer.
    """
    if wanted is not None:
        try:
            address = ipaddress.IPv4Address(wanted)
        except ValueError:
            raise InputError(
                "address", f"<address> {wanted!r} is no IPv4 address; write one such as 192.168.1.20"
            ) from None
        if address.is_unspecified or address.is_multicast:
            raise InputError("address", f"<address> {wanted} is no address of one computer; write this computer's own")
        return wanted
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((_NOWHERE, 9))  # asks for the route alone; a datagram socket sends nothing here
        except OSError:
            raise InputError(
                "address", "This computer's address on the network is not known; connect it, or give <address>"
            ) from None
        return str(probe.getsockname()[0])


def listen(address: str, port: int) -> socket.socket:
    """Open the socket to listen on; port 0 takes a free one.

    Raises
    ------
    UserError
        The port is taken, or the address is not this computer's.
    """
    # with the protocol named: only then does the event loop send short answers at once (TCP_NODELAY)
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((address, port))
    except OSError as error:
        listening.close()
        why = f"cannot listen on {address}, port {port} ({error.strerror})"
        raise InputError("port", f"{why}; choose another <port>, or <address>") from None
    return listening


def allowed_hosts(address: str, port: int, name: str | None = None, usual: int = 80) -> frozenset[str]:
    """Names by which a browser may ask for the page; it leaves its scheme's usual port out."""
    names = {address, "localhost"} if address == LOOPBACK else {address}
    names |= {name} if name else set()
    return frozenset(f"{each}:{port}" for each in names) | (frozenset(names) if port == usual else frozenset())


def draw_code(address: str, *, coloured: bool, encoding: str = "utf-8") -> str:
    """Draw an address as a QR code for a terminal of this encoding; coloured, it is dark on light in every one."""
    code = segno.make(address, error="l", micro=False)
    drawn = io.StringIO()
    code.terminal(drawn, compact=True)
    lines = drawn.getvalue().splitlines()
    try:
        drawn.getvalue().encode(encoding)
    except UnicodeEncodeError:  # no half blocks there: each square two characters wide
        light, dark, end = ("\033[107m  ", "\033[40m  ", "\033[0m") if coloured else ("##", "  ", "")
        return "\n".join("".join(dark if each else light for each in row) + end for row in code.matrix_iter(border=4))
    return "\n".join(f"\033[40;97m{line}\033[0m" for line in lines) if coloured else "\n".join(lines)


def serve(
    log: Path,
    *,
    lan: bool,
    plain: bool,
    address: str | None,
    port: int,
    sleds: Path,
    rigs: Path,
    new_address: bool,
) -> None:
    """Serve the page until it is stopped.

    Parameters
    ----------
    log : Path
        The log's folder; made where there is none.
    lan : bool
        Listen on the network, encrypted; otherwise this computer alone can see the page.
    plain : bool
        On the network without encryption.
    address : str or None
        This computer's address on the network, where it has several.
    port : int
        To listen on.
    sleds, rigs : Path
        Folders of sled files and rigs; made where there are none.
    new_address : bool
        Forget the old address with its token, and all phones that came by it.

    Raises
    ------
    UserError
        Something in the way, in one sentence.
    """
    for option, given in (("address", address is not None), ("plain", plain)):
        if given and not lan:
            raise InputError(option, f"<{option}> belongs to <lan>; without <lan> this computer alone can see the page")
    Log.open(log, create=True).close()
    for folder in (sleds, rigs):
        folder.mkdir(parents=True, exist_ok=True)
    with _alone(log), listen(lan_address(address) if lan else LOOPBACK, port) as listening:
        settings, served = _settings(log, sleds, rigs, listening, lan=lan, plain=plain, new_address=new_address)
        config = server_config(settings, served)
        host, real_port = listening.getsockname()
        scheme = "https" if served else "http"
        with answering(page_name(log), host, real_port, scheme) if lan else nullcontext(False) as named:
            _announce(settings, lan=lan, named=named)
            with suppress(KeyboardInterrupt):
                uvicorn.Server(config).run(sockets=[listening])


def _settings(
    log: Path, sleds: Path, rigs: Path, listening: socket.socket, *, lan: bool, plain: bool, new_address: bool
) -> tuple[PageSettings, Path | None]:
    """PageSettings of the page, and the file with its key and certificate where it is encrypted."""
    host, port = listening.getsockname()
    secret = key_file(log)
    phones = secret.with_suffix(".phones")
    if new_address:
        phones.unlink(missing_ok=True)
    key = load_key(secret, new=new_address)
    served, trusted, names = None, None, [host]
    if lan:
        names.append(page_name(log))
    if lan and not plain:
        served, trusted = certificate_for(secret.with_suffix(".tls"), host, page_name(log))
    scheme, usual = ("https", 443) if served else ("http", 80)
    hosts = allowed_hosts(host, port, page_name(log) if lan else None, usual)
    addresses = tuple(f"{scheme}://{name}:{port}" for name in names)
    return PageSettings(log, sleds, rigs, key, hosts, phones=phones, addresses=addresses, trusted=trusted), served


def key_file(log: Path) -> Path:
    """Where a log's page keeps its key: with the user's own state, not in the log's folder, which people copy."""
    name = hashlib.sha256(str(log.resolve()).encode()).hexdigest()[:16]
    return user_state_path("visioncheck", appauthor=False) / "page" / f"{name}.key"


def server_config(settings: PageSettings, served: Path | None = None) -> uvicorn.Config:
    """Configure the server: no word about itself, no list of who asked what (addresses hold the token).

    `served` is the file with its key and certificates; None: without encryption.
    """
    return uvicorn.Config(
        build_app(settings),
        http=PromptProtocol,
        ws="none",
        lifespan="on",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=_MOST_CONNECTIONS,
        timeout_graceful_shutdown=3,
        ssl_certfile=served,
    )


class PromptProtocol(H11Protocol):
    """Closes a connection on which no whole request head arrives in time; the server itself would wait for ever.

    Of an address with many connections the one idle longest is closed at once: they would use up the server's, and
    lock everybody else out.
    """

    head_s = _HEAD_S
    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Start to wait for the first request."""
        super().connection_made(transport)
        self._crowd_out()
        self._watch()

    def _crowd_out(self) -> None:
        host = self.client[0] if self.client else ""
        own = [each for each in self.connections if isinstance(each, PromptProtocol) and each._of(host)]  # noqa: SLF001
        idle = [each for each in own if each._timer is not None]  # noqa: SLF001
        if len(own) > _MOST_OF_ONE and idle:
            min(idle, key=lambda each: each._timer.when()).transport.close()  # type: ignore[union-attr]  # noqa: SLF001

    def _of(self, host: str) -> bool:
        return self.client is not None and self.client[0] == host and not self.transport.is_closing()

    def data_received(self, data: bytes) -> None:
        """Take bytes; go on waiting unless they completed a head."""
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop waiting."""
        self._stop()
        super().connection_lost(exc)

    def _watch(self) -> None:
        waiting = self.cycle is None or self.cycle.response_complete
        if not waiting:
            self._stop()
        elif self._timer is None:
            self._timer = self.loop.call_later(self.head_s, self.transport.close)

    def _stop(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


@contextmanager
def _alone(log: Path) -> Iterator[None]:
    """Hold the log's page for this process; the system lets go of it however the process ends."""
    folder = page_folder(log)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o700)  # photos that wait are nobody else's
        lock = sqlite3.connect(folder / "lock.sqlite", timeout=0, isolation_level=None)
    except (OSError, sqlite3.OperationalError) as error:
        raise UserError(f"The page's folder {folder} cannot be used ({error}); get the right to write there") from None
    try:
        lock.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError:
        lock.close()
        raise UserError(f"The page for {log} is being served already; use that one, or stop it first") from None
    try:
        yield
    finally:
        lock.close()


def _announce(settings: PageSettings, *, lan: bool, named: bool) -> None:
    address, *lasting = (f"{each}{ENTER}{settings.key.token}" for each in settings.addresses)
    where = "the phone (on the same network)" if lan else "this computer"
    print(f"Open this address on {where}:\n\n  {address}\n")
    if lan:
        print("or point the phone's camera at this code:\n")
        print(draw_code(address, coloured=sys.stdout.isatty(), encoding=sys.stdout.encoding or "ascii"), end="\n\n")
        if named:
            print(f"By its name, which stays when the computer's address changes:\n\n  {lasting[0]}\n")
        print(_secrecy(settings))
    else:
        print(f"With {as_option('lan')} a phone can open it too.")
    print("Stop with Ctrl-C.", flush=True)


def _secrecy(settings: PageSettings) -> str:
    """Say who can use the page and read along, and what the phone's browser will say of it."""
    whoever = "Whoever has this address can use the page"
    if settings.trusted is None:
        return (
            f"{whoever}; keep to a network of your own: it is not encrypted, and browsers give no view of the camera."
        )
    return (
        f"{whoever}. It is encrypted, with a certificate that this computer made for itself: the phone will warn once"
        " that the connection is not private, or that nobody vouches for it. Go on there (under Advanced, Details, or"
        " Visit this website), or end the warning for good: install the certificate that the page offers under Phones."
        f" Its fingerprint (SHA-256):\n\n  {fingerprint(settings.trusted)}\n\n"
        f"Without encryption and warning: {as_option('plain')}, on a network of your own alone."
    )
