"""The way from the address to the verdict in a real browser of a phone's size, with script and without."""

from __future__ import annotations

import os
import re

import cv2
import numpy as np
import pytest
from phone import PHOTOS
from playwright import sync_api as playwright

from tests.report.browser import find_browser

pytestmark = pytest.mark.photos
SIZE = {"width": 390, "height": 844}
_LONG_MS = 90_000


@pytest.fixture(scope="module")
def browser():
    # Chromium refuses its sandbox to the superuser, as in a container
    options = ["--no-sandbox"] if os.geteuid() == 0 else []
    with playwright.sync_playwright() as driver:
        found = driver.chromium.launch(executable_path=find_browser(), args=options)
        yield found
        found.close()


@pytest.fixture
def phone(browser, serve):
    """A function that opens the page on a new phone."""
    page = serve()
    contexts = []

    def open_page(token=page.settings.key.token, page=page, **options):
        # what stands in when the computer is off would take a test's own routes over
        options = {"service_workers": "block"} | options
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
    assert "workpiece with straight edges" in tab.inner_text("main")
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
    # beside the field too, and no longer where another one is at fault
    field = tab.get_by_label("Thickness")
    assert field.get_attribute("aria-invalid") == "true"
    assert field.get_attribute("aria-describedby") == "thickness-hint thickness-wrong"
    assert "'thick' is not a length" in tab.inner_text("#thickness-wrong")
    assert tab.locator("[aria-invalid]").count() == 1
    tab.complaints.clear()  # the browser notes the answer's status
    look(tab)
    field.fill("")
    tab.get_by_label("two halves butted, one turned over").check()
    tab.get_by_label("For a strip: successive cuts").fill("5")
    send(tab, "corner-1.jpg")
    tab.locator("#cuts-wrong").wait_for()
    assert tab.locator("[aria-invalid]").count() == tab.locator(".wrong").count() == 1
    tab.complaints.clear()
    look(tab)


def test_a_wrong_token_says_what_to_do(phone):
    tab = phone(token="wrong")  # noqa: S106 - it is wrong
    assert "Open the whole address that the computer shows" in tab.inner_text("body")


def test_what_was_typed_stays_over_a_change_of_units_back_and_the_choice_of_another_photo(phone):
    tab = phone()
    tap(tab, "Alder Lane", "/sled/")
    tab.get_by_text("More about this piece").tap()
    changed = tab.get_by_label("What you changed on the sled since its last reading")
    changed.fill("half a turn")
    tab.get_by_label("board with a saw slot").check()
    # the other way to a photo is on the same screen: nothing is loaded again for it
    assert tab.get_attribute("#kept", "capture") is None
    tab.get_by_role("button", name="inches").tap()
    tab.wait_for_load_state("networkidle")
    assert changed.input_value() == "half a turn"
    tap(tab, "Type readings", "/typed/")
    tab.go_back()
    tab.wait_for_load_state("networkidle")
    assert changed.input_value() == "half a turn"
    assert tab.get_by_label("board with a saw slot").is_checked()
    look(tab)


def test_while_a_photo_is_sent_nothing_else_can_be_and_it_can_be_cancelled(phone):
    tab = phone()
    tap(tab, "Alder Lane", "/sled/")
    asked = []

    def hold(route):
        asked.append(route)

    tab.route("**/photo", hold)
    send(tab, "corner-1.jpg")
    cancel = tab.get_by_role("button", name="Cancel")
    cancel.wait_for()
    assert not tab.get_by_text("Take the photo").is_visible()
    send(tab, "corner-2.jpg")
    tab.wait_for_timeout(300)
    assert len(asked) == 1
    tab.get_by_text("Nothing gets through just now").wait_for()  # a stall is said
    look(tab)
    cancel.tap()
    tab.get_by_text("Take the photo").wait_for()
    assert tab.url.endswith("/sled/3ba04a7ad809")


def test_a_broken_sending_is_repeated_by_itself_and_makes_one_reading(phone):
    tab = phone()
    tap(tab, "Alder Lane", "/sled/")
    once = []

    def lose_the_first_answer(route):
        once.append(re.search(rb'name="once"\r\n\r\n([\w-]+)', route.request.post_data_buffer)[1])
        if len(once) == 1:
            route.fetch(max_redirects=0)  # it arrives, but its answer does not
            route.abort()
        else:
            route.continue_()

    tab.route("**/photo", lose_the_first_answer)
    send(tab, "survey-1.jpg")
    tab.get_by_role("heading", name="Not measured").wait_for()
    assert len(once) == 2
    assert once[0] == once[1]
    tab.complaints.clear()  # the browser notes what broke
    tap(tab, "Start", r"\d/$")
    tap(tab, "Log and charts", "/log")
    assert "Not measured in the last days: 1" in tab.inner_text("main")


def test_a_stall_says_that_nothing_gets_through(phone):
    tab = phone()
    tab.clock.install()
    tap(tab, "Alder Lane", "/sled/")
    held = []
    tab.route("**/photo", lambda route: held.append(route))  # noqa: PLW0108 - the driver marks what it is given
    tab.set_input_files("#kept", PHOTOS / "survey-1.jpg")
    tab.get_by_role("button", name="Cancel").wait_for()
    assert "Nothing gets through" not in tab.inner_text("main")
    tab.clock.fast_forward(11_000)
    tab.get_by_text("Nothing gets through just now. It goes on by itself").wait_for()
    tab.get_by_role("button", name="Cancel").tap()
    assert "Nothing gets through" not in tab.inner_text("main")
    assert len(held) == 1
    tab.complaints.clear()


def test_several_photos_are_sent_one_after_the_other(phone):
    tab = phone()
    tap(tab, "Alder Lane", "/sled/")
    tab.set_input_files("#kept", [PHOTOS / "survey-1.jpg", PHOTOS / "survey-2.jpg"])
    tab.wait_for_url(re.compile(r"\d/$"))
    assert tab.locator(".news li").count() == 2
    look(tab)


def test_a_waiting_page_says_when_nobody_answers_or_knows_it(phone):
    tab = phone()
    tap(tab, "Alder Lane", "/sled/")
    tab.route("**/state", lambda route: route.abort())
    send(tab, "survey-3.jpg")
    tab.get_by_text("The computer does not answer").wait_for()
    tab.unroute("**/state")
    tab.route("**/state", lambda route: route.fulfill(status=403, body="no"))
    tab.get_by_text("no longer knows this phone").wait_for()
    tab.complaints.clear()
    look(tab)


def test_the_picture_is_seen_large_with_a_way_back_and_the_next_step_stands_first(phone):
    tab = phone()
    tap(tab, "Alder Lane", "/sled/")
    tab.get_by_text("More about this piece").tap()
    tab.get_by_label("offcut, one fresh cut").check()
    send(tab, "corner-1.jpg")
    tab.wait_for_url(re.compile("/reading/"))
    tab.wait_for_load_state("networkidle")
    small = tab.evaluate("document.querySelector('figure img').naturalWidth")
    assert "yellow zigzag" in tab.inner_text("figcaption")
    tab.locator("figure a").tap()
    tab.wait_for_url(re.compile("/look/"))
    tab.wait_for_load_state("networkidle")
    assert tab.evaluate("document.querySelector('.close img').naturalWidth") > 2 * small
    look(tab)
    tap(tab, "Back to the reading", "/reading/")


def test_a_question_has_one_main_button(phone):
    tab = phone()
    tap(tab, "Alder Lane", "/sled/")
    send(tab, "panel-2.jpg")
    tab.wait_for_url(re.compile("/reading/"))
    assert "What kind of piece" in tab.inner_text(".act")
    assert tab.locator(".button.main").count() == 1


def test_a_long_name_does_not_scroll_sideways_and_a_chart_is_dark_at_night(phone, serve):
    page = serve()
    text = (page.settings.sleds / "alder-lane.toml").read_text()
    name = "Querschnittschlittenanschlagskorrekturprüfstand-Nordseite-Werkbank-2"
    (page.settings.sleds / "alder-lane.toml").write_text(text.replace("Alder Lane", name))
    tab = phone(page.settings.key.token, page=page)
    tap(tab, name, "/sled/")
    look(tab)
    tap(tab, "Type readings", "/typed/")
    tap(tab, "Corner, with a protractor", "/corner")
    tab.get_by_label("Angle, degrees").fill("90.02")
    tab.get_by_role("button", name="Reckon and keep it").tap()
    tab.wait_for_url(re.compile("/reading/"))
    look(tab)
    tap(tab, f"How {name} stands", "/trend/")
    look(tab)
    tab.emulate_media(color_scheme="dark")
    shot = tab.locator("figure img").screenshot()
    assert np.median(cv2.imdecode(np.frombuffer(shot, np.uint8), cv2.IMREAD_GRAYSCALE)) < 60


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
            send(tab, "corner-1.jpg")  # a piece on the sheet
            tab.get_by_role("heading", name="Not used").wait_for()
            assert "bare sheet" in tab.inner_text("main")
            tap(tab, "Back to the survey", "/survey")
    look(tab)
    assert "5 of 8" in tab.inner_text("h1")
    tab.get_by_text("The photos so far").tap()
    tab.get_by_role("button", name="Remove photo 5").tap()
    tab.get_by_role("heading", name="4 of 8").wait_for()
    send(tab, "survey-6.jpg")
    tab.get_by_role("heading", name="5 of 8").wait_for()
    assert not tab.get_by_role("button", name="Forget them").is_visible()  # not by one tap
    tap(tab, "Finish the survey", "/finish")
    tab.get_by_label("The rule reads").fill("301,5mm")  # misread: two figures changed places
    tab.get_by_role("button", name="Work it out").tap()
    tab.get_by_role("alert").wait_for()
    assert "read the rule again" in tab.inner_text("[role=alert]")
    assert "No photo is lost" in tab.inner_text("[role=alert]")
    assert tab.get_by_label("The rule reads").input_value() == "301,5mm"
    tab.complaints.clear()
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
    # the next step, and what to mind before it, stand before the picture
    assert tab.locator(".button.main").count() == 1
    heights = [tab.locator(each).bounding_box()["y"] for each in (".first", ".button.main", "figure")]
    assert heights == sorted(heights)
    assert heights[1] < 1.25 * SIZE["height"]
    assert "Unplug the saw" in tab.inner_text(".first")
    tab.get_by_role("button", name="inches").tap()
    tab.get_by_text(re.compile(r"^[\d.]+ thou \(")).wait_for()
    tap(tab, "How Alder Lane stands", "/trend/")
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


def test_when_the_computer_is_off_the_phone_says_so_and_how_the_sleds_stood(phone):
    tab = phone(service_workers="allow")
    # asked again and again: a promise that is waited for has no bound, and the page's policy lets no predicate in.
    # It need not take over the screen that is open (a browser may leave that one as it is): it answers for the next
    started = "navigator.serviceWorker.getRegistration().then((found) => found?.active?.state === 'activated')"
    for _ in range(_LONG_MS // 500):
        if tab.evaluate(started):
            break
        tab.wait_for_timeout(500)
    else:
        pytest.fail("the page's worker did not start")
    tab.context.set_offline(True)
    tab.goto(tab.url)
    assert "The computer does not answer" in tab.inner_text("h1")
    assert "Alder Lane: no reading yet" in tab.inner_text("#last")
    tab.complaints.clear()  # the browser notes what it could not load
    look(tab)
    tab.context.set_offline(False)
    tap(tab, "Try again", r"\d/$")
    assert "Which sled?" in tab.inner_text("main")


def test_a_phone_is_named_and_shut_out_on_its_screen(phone):
    tab = phone()
    tap(tab, "Phones", "/phones")
    look(tab)
    tab.get_by_text("Name it, or shut it out").first.tap()
    tab.get_by_label("What you call it").first.fill("the one at the saw")
    tab.get_by_role("button", name="Keep the name").first.tap()
    tab.get_by_role("heading", name="the one at the saw (this one)").wait_for()
    look(tab)


def test_a_sled_is_described_by_thumb(phone):
    tab = phone()
    tap(tab, "Describe another sled", "/sleds/new")
    look(tab)
    tab.get_by_label("What you call the sled").fill("Birch Yard")
    tab.get_by_label("rear: between you and the work").check()
    tab.get_by_role("button", name="Keep it").tap()
    tab.wait_for_timeout(200)
    assert "/sleds/new" in tab.url  # the browser asks for what is needed
    tab.get_by_label("Length of the fence").fill("720mm")
    tab.get_by_label("From the end that stays").fill("610mm")
    tab.get_by_role("button", name="Keep it").tap()
    tab.get_by_role("alert").wait_for()
    tab.complaints.clear()
    look(tab)
    tab.locator("input[name=pivot][value=left]").check()
    tab.locator("input[name=kind][value=shims]").check()
    tab.locator("input[name=piece_side][value=left]").check()
    tab.get_by_role("button", name="Keep it").tap()
    tab.wait_for_url(re.compile("/sled/"))
    look(tab)
    tap(tab, "How it is made", "/described")
    look(tab)
    tab.goto(tab.url.partition("/sled/")[0] + "/groove")
    look(tab)
