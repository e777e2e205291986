"""Every screen of the page in a browser: seen as a picture, and looked over by axe for who cannot see it well.

``python -m tests.page.screens -o FOLDER [--axe axe.min.js] [--only start,log]``; axe comes with ``npm pack axe-core``.
"""

from __future__ import annotations

import argparse
import os
import re
import secrets
import shutil
import tempfile
import threading
import time
from pathlib import Path

import uvicorn
from playwright.sync_api import sync_playwright

from tests.page.phone import FIXTURES, PHOTOS, SLED_KEY
from visioncheck.log.store import Log
from visioncheck.page.desk import PageSettings
from visioncheck.page.safety import Key
from visioncheck.page.serve import allowed_hosts, listen, server_config

SIZES = {"320": (320, 640), "390": (390, 844), "412": (412, 915), "landscape": (844, 390)}
_GROOVE = "at=3in&width=3/4in&board=20in&zero_kerf=1/8in&kerf=3/4in&fence=right&flange=left"
_AXE = """async () => (await axe.run(document)).violations.map(
  (each) => [each.id, each.impact, each.nodes.map((node) => node.html).slice(0, 3)])"""


def serve(folder: Path) -> tuple[uvicorn.Server, threading.Thread, str]:
    """Serve a page with two sleds; gives the address with its token."""
    sleds, rigs = folder / "sleds", folder / "rigs"
    for each in (sleds, rigs):
        each.mkdir()
    for path in (FIXTURES / "sleds").glob("*.toml"):
        shutil.copy(path, sleds)
    Log.open(folder / "log", create=True).close()
    listening = listen("127.0.0.1", 0)
    port = listening.getsockname()[1]
    key = Key(secrets.token_urlsafe(24))
    addresses = (f"http://127.0.0.1:{port}", f"http://visioncheck-3f2a.local:{port}")
    settings = PageSettings(
        folder / "log",
        sleds,
        rigs,
        key,
        allowed_hosts("127.0.0.1", port),
        phones=folder / "a.phones",
        addresses=addresses,
    )
    server = uvicorn.Server(server_config(settings))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
    thread.start()
    while not server.started:
        time.sleep(0.05)
    return server, thread, f"{addresses[0]}/enter/{key.token}"


def walk(tab, entry: str):
    """Go through all screens as a user would; yields the name of each when it stands there."""
    base = entry.partition("/enter/")[0]
    tab.goto(entry)
    tab.wait_for_url(re.compile(r"\d/$"))
    yield "start-first"

    def typed(way, **fields):
        tab.goto(f"{base}/typed/{SLED_KEY}/{way}")
        for name, value in fields.items():
            tab.fill(f"#{name}", value)
        tab.get_by_role("button", name="Reckon and keep it").click()
        tab.wait_for_url(re.compile("/reading/"))

    def sent(name, piece=""):
        tab.goto(f"{base}/sled/{SLED_KEY}")
        if piece:
            tab.get_by_text("More about this piece").click()
            tab.locator(f"input[name=piece][value={piece}]").check()
        tab.set_input_files("#photo", PHOTOS / name)
        tab.wait_for_url(re.compile("/job/"))

    for angle in ("90.02", "90.05", "90.09"):
        typed("corner", angle=angle)
    yield "reading-typed"
    sent("corner-2.jpg", "corner")
    yield "waiting"
    tab.wait_for_url(re.compile("/reading/"))
    reading = tab.url
    yield "reading-photo"
    tab.goto(reading.replace("/reading/", "/look/"))
    tab.wait_for_load_state("networkidle")
    yield "look"
    tab.goto(reading.replace("/reading/", "/turn/"))
    yield "turn"
    tab.goto(f"{base}/sled/{SLED_KEY}?after={reading.rpartition('/')[2]}")
    yield "after-a-move"
    sent("panel-2.jpg")
    tab.wait_for_url(re.compile("/reading/"))
    yield "reading-question"
    sent("kerf-2.jpg", "slot")
    tab.wait_for_url(re.compile("/reading/"))
    yield "reading-slot"
    slot = tab.url
    tab.get_by_role("link", name="Blade and travel").click()
    yield "travel"
    tab.get_by_role("button", name="Say what they tell").click()
    tab.wait_for_url(lambda url: "/reading/" in url and url != slot)
    yield "reading-travel"
    sent("survey-1.jpg")
    tab.get_by_role("heading", name="Not measured").wait_for()
    yield "refused"
    tab.goto(f"{base}/survey")
    yield "survey-first"
    for number in (1, 2, 3, 4):
        tab.set_input_files("#photo", PHOTOS / f"survey-{number}.jpg")
        tab.wait_for_url(re.compile("/job/"))
        tab.wait_for_url(re.compile("/survey"))
    yield "survey"
    tab.goto(f"{base}/survey/finish")
    yield "finish"
    tab.get_by_label("The rule reads").fill("31o.5")
    tab.get_by_role("button", name="Work it out").click()
    tab.locator("#ruled-wrong").wait_for()
    yield "finish-mistake"
    for name, path in {
        "start": "/",
        "photo": f"/sled/{SLED_KEY}",
        "sled": f"/trend/{SLED_KEY}",
        "typed-ways": f"/typed/{SLED_KEY}",
        "typed": f"/typed/{SLED_KEY}/strip",
        "log": "/log",
        "describe-new": "/sleds/new",
        "describe": f"/sled/{SLED_KEY}/described",
        "works": "/tolerance",
        "tolerance-first": "/tolerance/panel",
        "tolerance": "/tolerance/drawer?depth=400mm&height=100mm&gap=0.1mm",
        "two-stops": f"/typed/{SLED_KEY}/two-stops",
        "groove-part": "/groove?at=76.2&mating=18.2&fit=slide&board=508&zero_kerf=3.2&fence=right&flange=left",
        "groove-mistake": "/groove?at=70&width=broad&board=500&zero_kerf=3.2&fence=right&flange=left",
        "groove-first": "/groove",
        "groove": f"/groove?{_GROOVE}",
        "sheets": "/sheets",
        "phones": "/phones",
        "away": "/away",
        "nowhere": "/nowhere",
    }.items():
        tab.goto(base + path)
        tab.wait_for_load_state("networkidle")
        for details in tab.locator("details").all():
            details.evaluate("each => each.open = true")
        yield name


def show(tab, entry: str, output: Path, axe: str, only: set[str]) -> int:
    """Take the pictures, and count what axe finds."""
    findings = 0
    for name in walk(tab, entry):
        if only and name not in only:
            continue
        size = len(tab.content().encode())
        for shape, (width, height) in SIZES.items():
            tab.set_viewport_size({"width": width, "height": height})
            for scheme in ("light", "dark"):
                tab.emulate_media(color_scheme=scheme)
                if shape == "390":
                    tab.screenshot(path=output / f"{name}-{scheme}.png", full_page=True)
                if axe:
                    tab.evaluate(axe)
                    for rule, impact, nodes in tab.evaluate(_AXE):
                        findings += 1
                        print(f"{name} {shape} {scheme}: {rule} ({impact}) {nodes}", flush=True)
        tab.set_viewport_size({"width": 390, "height": 844})
        print(f"{name}: {size} bytes", flush=True)
    return findings


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("-o", "--output", type=Path, required=True)
    parser.add_argument("--axe", type=Path)
    parser.add_argument("--only", default="")
    given = parser.parse_args()
    given.output.mkdir(parents=True, exist_ok=True)
    axe = given.axe.read_text("utf-8") if given.axe else ""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        server, thread, entry = serve(Path(folder))
        try:
            args = ["--no-sandbox"] if os.geteuid() == 0 else []
            browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=args)
            tab = browser.new_page(viewport={"width": 390, "height": 844})
            tab.set_default_timeout(120_000)
            findings = show(tab, entry, given.output, axe, set(filter(None, given.only.split(","))))
        finally:
            server.should_exit = True
            thread.join(20)
    print(f"axe: {findings} findings" if axe else "not looked over by axe")


if __name__ == "__main__":
    main()
