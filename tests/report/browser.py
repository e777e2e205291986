"""A real browser without a window, and what it says of a page."""

from __future__ import annotations

import functools
import http.server
import os
import re
import shutil
import subprocess
import threading
from contextlib import contextmanager
from pathlib import Path

import pytest

_NAMES = ("chromium", "chromium-browser")


def find_browser() -> str:
    """The browser's path; without one the test is skipped, in CI it fails."""
    found = next((path for path in map(shutil.which, _NAMES) if path), None)
    if found is None:
        told = pytest.fail if os.environ.get("CI") else pytest.skip
        told(f"no browser of the Chromium family on this machine ({', '.join(_NAMES)}); Debian: apt install chromium")
    return found


def run_browser(tmp_path: Path, *args: str) -> subprocess.CompletedProcess[str]:
    """Run the browser to its end; a profile of its own keeps it apart from any other."""
    command = [
        find_browser(),
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--hide-scrollbars",
        f"--user-data-dir={tmp_path / 'profile'}",
    ]
    return subprocess.run([*command, *args], capture_output=True, text=True, timeout=120, check=True)


def console_lines(run: subprocess.CompletedProcess[str]) -> list[str]:
    """What pages wrote to the console: script errors, blocked or missing resources."""
    return [line for line in run.stderr.splitlines() if "CONSOLE" in line]


@contextmanager
def served(folder: Path):
    """Serve a folder on this machine, so that one page may look into another."""

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, *args: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Quiet, directory=str(folder)))
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def widths(tmp_path: Path, page: str, width: int, *args: str) -> tuple[int, int, list[str]]:
    """Load a page of a given width; its scroll width, its height and what it wrote to the console.

    A frame in another page takes the width, since a window has a least one.
    """
    folder = tmp_path / "served"
    folder.mkdir(exist_ok=True)
    (folder / "page.html").write_text(page, "utf-8")
    (folder / "frame.html").write_text(
        f"""<!DOCTYPE html><link rel="icon" href="data:,"><title>frame</title>
        <iframe src="page.html" style="width: {width}px; height: 800px; border: 0" onload="
          const root = this.contentDocument.documentElement;
          document.body.append('[' + root.scrollWidth + ' ' + root.scrollHeight + ']')"></iframe>"""
    )
    with served(folder) as address:
        run = run_browser(
            tmp_path, "--enable-logging=stderr", "--virtual-time-budget=5000", "--dump-dom", *args,
            f"{address}/frame.html",
        )  # fmt: skip
    found = re.search(r"\[(\d+) (\d+)\]", run.stdout)
    assert found, run.stderr
    return int(found[1]), int(found[2]), console_lines(run)
