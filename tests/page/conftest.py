"""A page that really listens, in a thread of the test."""

from __future__ import annotations

import secrets
import shutil
import threading
from dataclasses import replace

import pytest
import uvicorn
from phone import FIXTURES, Page, until

from visioncheck.log.store import Log
from visioncheck.page.desk import PageSettings
from visioncheck.page.safety import Key
from visioncheck.page.serve import allowed_hosts, listen, server_config
from visioncheck.page.uploads import Bounds


@pytest.fixture(autouse=True)
def own_state(tmp_path_factory, monkeypatch):
    """The page's key lies with the user's own state: in tests apart from the real one."""
    folder = tmp_path_factory.mktemp("state")
    monkeypatch.setattr("visioncheck.page.serve.user_state_path", lambda *_, **__: folder)
    monkeypatch.setenv("XDG_STATE_HOME", str(folder))  # of processes that a test starts


@pytest.fixture
def serve(tmp_path):
    """Serve a page of a new log with one sled; closes it at the end."""
    running = []

    def start(do=None, served=None, **changes):
        log = tmp_path / "log"
        Log.open(log, create=True).close()
        sleds, rigs = tmp_path / "sleds", tmp_path / "rigs"
        for folder in (sleds, rigs):
            folder.mkdir(exist_ok=True)
        shutil.copy(FIXTURES / "sleds" / "alder-lane.toml", sleds)
        listening = listen("127.0.0.1", 0)
        port = listening.getsockname()[1]
        settings = PageSettings(log, sleds, rigs, Key(secrets.token_urlsafe(24)), allowed_hosts("127.0.0.1", port))
        config = server_config(replace(settings, **changes), served)
        desk = config.app.app.state.desk
        if do is not None:
            desk.workers._do = do
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        running.append((server, thread))
        until(lambda: server.started)
        return Page(desk.settings, port, server, desk)

    yield start
    for server, thread in running:
        server.should_exit = True
        thread.join(20)
        assert not thread.is_alive()


@pytest.fixture
def small_bounds():
    return Bounds(photo_bytes=200_000, form_bytes=5_000, fields=20, whole_s=4.0, quiet_s=1.0)
