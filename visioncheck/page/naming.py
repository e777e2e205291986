"""The page's name on the network, which stays when the computer's address changes (RFC 6762, multicast DNS)."""

from __future__ import annotations

import hashlib
import socket
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def page_name(log: Path) -> str:
    """Give the name by which the page of a log is found; two logs, or two computers, have two."""
    # the computer's own name keeps apart copies of one log in folders of one name
    known = f"{socket.gethostname()} {log.resolve()}"
    return f"visioncheck-{hashlib.sha256(known.encode()).hexdigest()[:4]}.local"


@contextmanager
def answering(name: str, address: str, port: int, scheme: str) -> Iterator[bool]:
    """Answer those who ask for the name while this lasts; gives False where the network does not allow it.

    A name is a convenience: whatever fails here leaves the page as it is.
    """
    from zeroconf import Error, IPVersion, ServiceInfo, Zeroconf

    kind = f"_{scheme}._tcp.local."
    service = ServiceInfo(
        kind,
        f"{name.removesuffix('.local')}.{kind}",
        addresses=[socket.inet_aton(address)],
        port=port,
        server=f"{name}.",
    )
    try:
        responder = Zeroconf(interfaces=[address], ip_version=IPVersion.V4Only)
    except (OSError, Error):
        yield False
        return
    try:
        try:
            responder.register_service(service)
        except (OSError, Error):
            yield False
            return
        yield True
    finally:
        responder.close()
