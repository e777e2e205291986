"""The way from the address to the verdict in a real browser of a phone's size, with script and without."""

from __future__ import annotations

import os
import re
import shutil

import pytest
from phone import PHOTOS

playwright = pytest.importorskip("playwright.sync_api", reason="the browser is driven by playwright, of the dev extra")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.photos,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine (Debian: apt install chromium)"),
]
SIZE = {"width": 390, "height": 844}
_LONG_MS = 90_000


@pytest.fixture(scope="module")
def browser():
    # Chromium refuses its sandbox to the superuser, as in a container
    options = ["--no-sandbox"] if os.geteuid() == 0 else []
    with playwright.sync_playwright() as driver:
        found = driver.chromium.launch(executable_path=CHROMIUM, args=options)
        yield found
        found.close()


@pytest.fixture
def phone(browser, serve):
    """A function that opens the page on a new phone."""
    page = serve()
    contexts = []

    def open_page(token=page.settings.key.token, **options):
        context = browser.new_context(viewport=SIZE, has_touch=True, is_mobile=True, **options)
        contexts.append(context)
        tab = context.new_page()
        complaints = []
        tab.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
        tab.on("pageerror", lambda error: complaints.append(str(error)))
        tab.on("request", lambda request: complaints.append(request.url) if "127.0.0.1" not in request.url else None)
        tab.complaints = complaints
        tab.set_default_timeout(_LONG_MS)
        tab.goto(f"http://127.0.0.1:{page.port}/enter/{token}")
        if token == page.settings.key.token:
            tab.wait_for_url(re.compile(r"\d/$"))  # the token is no longer in sight
        return tab

    yield open_page
    for context in contexts:
        context.close()


# WCAG 2.2: 1.4.3 contrast of text at least 4.5 (3 for large), 1.4.10 no scrolling sideways, 2.5.8 size of targets,
# 4.1.2 and 1.1.1 names of controls and pictures; reckoned as the standard says
_LOOK = r"""() => {
  const rgb = (text) => text.match(/[\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
  const behind = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const colour = rgb(getComputedStyle(at).backgroundColor);
      if (colour.length < 4 || colour[3] > 0.99) return colour;
    }
    return [255, 255, 255];
  };
  const wrong = [];
  const shown = (element) => element.checkVisibility() && element.getBoundingClientRect().right > 0;
  const words = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (words.nextNode()) {
    const element = words.currentNode.parentElement;
    if (!words.currentNode.data.trim() || !shown(element) || element.closest("svg, script, noscript")) continue;
    const [a, b] = [light(rgb(getComputedStyle(element).color)), light(behind(element))];
    const contrast = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (contrast < 4.5) wrong.push(`contrast ${contrast.toFixed(1)}: ${words.currentNode.data.trim()}`);
  }
  const targets = "a.button, button, select, textarea, input:not([type=hidden]), summary, .home";
  for (const element of document.querySelectorAll(targets)) {
    const box = (element.closest("label") || element).getBoundingClientRect();
    if (shown(element) && !element.closest(".scripted .file") && box.height < 44)
      wrong.push(`small: ${element.outerHTML}`);
  }
  for (const element of document.querySelectorAll("input:not([type=hidden]), select, textarea"))
    if (!element.labels.length) wrong.push(`no label: ${element.outerHTML}`);
  for (const element of document.querySelectorAll("img"))
    if (!element.alt) wrong.push(`no words: ${element.outerHTML}`);
  if (document.querySelectorAll("h1").length !== 1) wrong.push("not one heading");
  if (!document.documentElement.lang || !document.title) wrong.push("no language or title");
  return wrong;
}"""
_SIDEWAYS = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"


def look(tab):
    """What anybody can see of a screen is checked on every one of them."""
    assert tab.evaluate(_LOOK) == []
    for scheme in ("dark", "light"):
        tab.emulate_media(color_scheme=scheme)
        assert tab.evaluate(_LOOK) == []
    # a screen of half the width is what a zoom of 200 % leaves (WCAG 2.2, 1.4.4)
    for width in (SIZE["width"] // 2, SIZE["width"]):
        tab.set_viewport_size({**SIZE, "width": width})
        assert tab.evaluate(_SIDEWAYS) <= 0, (tab.url, width)
    assert tab.complaints == []


def tap(tab, name, url, role="link"):
    """Tap what has this name, and wait for the screen that it leads to."""
    tab.get_by_role(role, name=name).tap()
    tab.wait_for_url(re.compile(url))
    tab.wait_for_load_state("networkidle")


def send(tab, name):
    tab.set_input_files("#photo", PHOTOS / name)


def test_from_the_address_to_the_verdict_and_a_refusal(phone):
    tab = phone()
    look(tab)
    tap(tab, "Alder Lane", "/sled/")
    assert tab.get_attribute("#photo", "capture") == "environment"
    assert tab.get_attribute("#photo", "accept") == "image/*"
    assert not tab.get_by_role("button", name="Send it").is_visible()
    tab.focus("#photo")
    tab.keyboard.press("Shift+Tab")
    tab.keyboard.press("Tab")  # by keyboard the large button shows where one is
    assert tab.evaluate("getComputedStyle(document.querySelector('label.main')).outlineWidth") == "4px"
    look(tab)
    tab.get_by_text("More about this piece").tap()
    tab.get_by_label("offcut, one fresh cut").check()
    look(tab)
    send(tab, "corner-1.jpg")  # goes off by itself: with script nothing else is to be pressed
    tab.wait_for_selector(".busy")
    tab.wait_for_url(re.compile("/reading/"))
    tab.wait_for_load_state("networkidle")
    look(tab)
    assert "Can’t tell yet" in tab.inner_text("h1")  # without a survey ± 0.25°
    assert "Measure better before you move the fence" in tab.inner_text(".act")
    assert tab.evaluate("document.querySelector('figure img').naturalWidth") > 500
    assert "the lines of its four edges" in tab.get_attribute("figure img", "alt")
    tap(tab, "Next photo", "/sled/")
    send(tab, "survey-1.jpg")
    tab.get_by_role("heading", name="Not measured").wait_for()
    look(tab)
    assert "four-sided workpiece" in tab.inner_text("main")
    assert "Lay it within the band" in tab.inner_text("main")
    tap(tab, "Take another photo", "/sled/")


def test_what_is_wrong_is_said_beside_the_form_and_all_that_was_filled_in_stays(phone):
    tab = phone()
    tap(tab, "Alder Lane", "/sled/")
    tab.get_by_text("More about this piece").tap()
    tab.get_by_label("Thickness").fill("thick")
    send(tab, "corner-1.jpg")
    tab.get_by_role("alert").wait_for()
    assert "'thick' is not a length" in tab.inner_text("[role=alert]")
    assert tab.get_by_label("Thickness").input_value() == "thick"
    assert tab.get_by_role("button", name="Send it").is_visible()
    tab.complaints.clear()  # the browser notes the answer's status
    look(tab)


def test_a_wrong_token_shows_one_word(phone):
    tab = phone(token="wrong")  # noqa: S106 - it is wrong
    assert "Open the whole address that the computer shows" in tab.inner_text("body")


def test_survey_and_verdict_with_it(phone):
    tab = phone()
    tap(tab, "Survey phone and sheet", "/survey")
    look(tab)
    for number in (1, 2, 3, 4, 6):
        send(tab, f"survey-{number}.jpg")
        tab.wait_for_url(re.compile("/job/"))
        tab.wait_for_url(re.compile("/survey"))
        if number == 1:
            look(tab)
            assert "1 of 8" in tab.inner_text("h1")
            assert "Missing: tilted, from the left side" in tab.inner_text("figcaption")
    look(tab)
    assert "5 of 8" in tab.inner_text("h1")
    tap(tab, "Finish the survey", "/finish")
    tab.get_by_label("The rule reads").fill("310.5mm")
    look(tab)
    tab.get_by_role("button", name="Work it out").tap()
    tab.get_by_role("heading", name="Surveyed").wait_for()
    look(tab)
    tap(tab, "To the sleds", r"\d/$")
    tap(tab, "Alder Lane", "/sled/")
    send(tab, "corner-2.jpg")
    tab.wait_for_url(re.compile("/reading/"))
    tab.wait_for_load_state("networkidle")
    look(tab)
    # in truth 90.085°: a corner too wide on a piece from the left means the right end is too far forward
    assert "Outside the tolerance" in tab.inner_text("h1")
    assert "RIGHT end BACK, towards you" in tab.inner_text(".act")
    # 950 mm · tan(0.085°) ± half of it
    assert re.match(r"(0\.[89]\d\d|1\.0\d\d) ± 0\.[123]\d\d mm", tab.inner_text(".by >> nth=0"))
    assert "anticlockwise" in tab.inner_text(".by >> nth=1")
    tab.get_by_role("button", name="inches").tap()
    tab.get_by_text(re.compile(r"^[\d.]+ thou \(")).wait_for()
    tap(tab, "Chart of Alder Lane", "/trend/")
    look(tab)
    assert tab.evaluate("document.querySelector('figure img').naturalWidth") > 500
    tap(tab, "Log", "/log")
    look(tab)


def test_a_second_photo_with_the_piece_turned(phone):
    tab = phone()
    tap(tab, "Alder Lane", "/sled/")
    tab.get_by_text("More about this piece").tap()
    tab.get_by_label("offcut, one fresh cut").check()
    send(tab, "corner-31-turn0.jpg")
    tab.wait_for_url(re.compile("/reading/"))
    assert plus_minus(tab) > 0.2  # one photo without a survey
    tap(tab, "Surer: a second photo, turned", "/turn/")
    look(tab)
    send(tab, "corner-1.jpg")
    tab.get_by_role("heading", name="Not measured").wait_for()
    look(tab)
    assert "take both photos of one piece" in tab.inner_text("main")
    tap(tab, "Take another photo", "/turn/")
    send(tab, "corner-31-turn90.jpg")
    tab.wait_for_url(re.compile("/reading/"))
    tab.wait_for_load_state("networkidle")
    look(tab)
    assert plus_minus(tab) < 0.1
    # in truth 89.793°: too narrow on a piece from the left, so the right end is too far back
    assert "RIGHT end FORWARD, away from you" in tab.inner_text(".act")
    assert "two photos read as one" in tab.inner_text("main")
    assert tab.get_by_role("link", name="Surer").count() == 0


def plus_minus(tab):
    return float(re.search(r"± ([\d.]+)°", tab.inner_text(".out"))[1])


def test_it_all_works_without_script(phone):
    tab = phone(java_script_enabled=False)
    tap(tab, "Alder Lane", "/sled/")
    tab.get_by_text("More about this piece").tap()
    tab.get_by_label("offcut, one fresh cut").check()
    send(tab, "corner-1.jpg")
    tab.get_by_role("button", name="Send it").tap()
    tab.wait_for_url(re.compile("/job/"))
    tab.wait_for_url(re.compile("/reading/"))  # the waiting page loads itself again
    tab.get_by_role("button", name="inches").tap()
    tab.get_by_text(re.compile("thou over 28 3/8 in")).wait_for()


def test_typed_readings_by_keyboard_in_the_order_seen(phone):
    tab = phone(reduced_motion="reduce")
    tap(tab, "Alder Lane", "/sled/")
    tap(tab, "Type readings", "/typed/")
    look(tab)
    tap(tab, "Strip, with callipers", "/strip")
    look(tab)
    tab.focus("#rear")
    for value in ("31.02", "30.10", "300", "5"):
        tab.keyboard.press("Control+A")
        tab.keyboard.type(value)
        tab.keyboard.press("Tab")
    assert tab.evaluate("document.activeElement.tagName") == "SUMMARY"
    outline = tab.evaluate("getComputedStyle(document.activeElement).outlineWidth")
    assert float(outline.removesuffix("px")) >= 3  # where one is can be seen
    tab.keyboard.press("Tab")
    tab.keyboard.press("Enter")
    tab.wait_for_url(re.compile("/reading/"))
    tab.wait_for_load_state("networkidle")
    look(tab)
    assert "RIGHT end BACK" in tab.inner_text(".act")


def test_nothing_moves_where_motion_is_not_wanted(phone):
    tab = phone(reduced_motion="reduce")
    tap(tab, "Alder Lane", "/sled/")
    send(tab, "survey-2.jpg")
    tab.wait_for_selector(".busy")
    assert tab.evaluate("getComputedStyle(document.querySelector('.busy'), '::after').animationName") == "none"
