"""The camera's view: what is to be mended is said in the order in which a person would, before the photo is taken."""

from __future__ import annotations

import json
import os
import re
import shutil

import cv2
import numpy as np
import pytest
from phone import PHOTOS

from visioncheck.page.framing import judge, judge_file

pytestmark = pytest.mark.photos
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def frame():
    """A frame of 1280 px as a camera shows it: the photo shrunk, the sheet a little smaller than the picture."""
    return shrunk(PHOTOS / "corner-2.jpg", 1280)


def shrunk(path, side):
    whole = cv2.imread(str(path), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    scale = side / max(whole.shape[:2])
    return cv2.resize(whole, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)


def warped(frame, matrix):
    height, width = frame.shape[:2]
    return cv2.warpAffine(frame, np.array(matrix, float), (width, height), borderValue=(90, 110, 120))


def scaled(frame, by):
    height, width = frame.shape[:2]
    return warped(frame, [[by, 0, (1 - by) * width / 2], [0, by, (1 - by) * height / 2]])


def test_a_good_frame_is_good_and_shows_where_the_sheet_lies(frame):
    judged = judge(frame)
    assert judged.do == ""
    corners = np.array(judged.corners)
    assert corners.shape == (4, 2)
    assert corners.min() > 0
    assert corners.max() < 1
    assert np.ptp(corners, axis=0).max() > 0.6


def test_what_a_person_would_mend_first_is_said_first(frame):
    height, width = frame.shape[:2]
    assert judge(np.full_like(frame, 120)).about == "sheet"
    moved = judge(warped(frame, [[1, 0, 0.2 * width], [0, 1, 0]]))
    assert (moved.about, "at the right" in moved.do) == ("sheet", True)
    assert "Farther" in judge(scaled(frame, 1.45)).do
    assert judge(scaled(frame, 0.55)).about == "near"
    assert "mirrored" in judge(np.ascontiguousarray(frame[:, ::-1])).do

    shining = frame.copy()
    cv2.circle(shining, (width // 2, height // 3), width // 12, (255, 255, 255), -1)
    assert judge(shining).about == "glare"
    soft = cv2.GaussianBlur(frame, (0, 0), 1.3)
    assert judge(soft).about == "sharp"
    # of several the first in order: where the phone is, the light, the hand
    assert judge(scaled(cv2.GaussianBlur(shining, (0, 0), 1.3), 0.55)).about == "near"
    still = np.array(judge(frame).corners)
    assert judge(frame, before=still + 0.001).do == ""
    assert judge(frame, before=still + 0.05).about == "still"
    assert judge(soft, before=still + 0.05).about == "still"


@pytest.mark.parametrize("side", ["left", "right", "top", "bottom"])
def test_a_piece_over_the_band_is_said_last_and_where(frame, side):
    corners = np.array(judge(frame).corners) * frame.shape[1::-1]
    middle = corners.mean(axis=0)
    ways = {"left": (-1, 0), "right": (1, 0), "top": (0, -1), "bottom": (0, 1)}
    out = np.array(ways[side], float)
    edge = max(float((corner - middle) @ out) for corner in corners)
    covered = frame.copy()
    size = np.where(out == 0, 150, 60)
    low, high = (np.round(middle + (edge - 25) * out + sign * size).astype(int) for sign in (-1, 1))
    cv2.rectangle(covered, low.tolist(), high.tolist(), (60, 100, 150), -1)
    judged = judge(covered)
    assert (judged.about, f"at the {side}:" in judged.do) == ("band", True)
    assert judge(cv2.GaussianBlur(covered, (0, 0), 1.3)).about == "sharp"


@pytest.mark.parametrize("name", ["corner-1", "panel-2", "strip-1", "gap-1", "kerf-2"])
def test_ordinary_frames_have_nothing_on_the_band(name):
    assert judge(shrunk(PHOTOS / f"{name}.jpg", 1280)).about != "band"


def test_a_tilted_view_is_for_the_survey_alone():
    tilted = shrunk(PHOTOS / "survey-2.jpg", 1280)
    assert judge(tilted).about == "tilt"
    assert judge(tilted, "survey").about != "tilt"


@pytest.mark.parametrize("before", ["", "null", "[[0,1]]", "[" * 5000, '"x"', "[[0,0],[1e999,0],[1,1],[0,1]]"])
def test_whatever_a_phone_sends_is_judged(frame, before, tmp_path):
    path = tmp_path / "frame.jpg"
    cv2.imwrite(str(path), frame)
    assert judge_file(str(path), "piece", before)["do"] == ""
    for content in (b"", b"\xff\xd8\xff" + bytes(500), path.read_bytes()[:900]):
        path.with_name("odd").write_bytes(content)
        assert judge_file(str(path.with_name("odd")), "piece", before)["about"] == "sheet"


def test_a_frame_is_judged_and_nothing_of_it_is_kept(serve, frame):
    page = serve()
    phone = page.phone()
    content = cv2.imencode(".jpg", frame)[1].tobytes()
    judged = json.loads(phone.send("/frame", content, {"purpose": "piece", "before": ""}).body)
    assert judged["do"] == ""
    assert len(judged["corners"]) == 4
    assert page.files() == []
    assert phone.send("/frame", content, token="").status == 403
    assert phone.send("/frame", b"", name="").status == 400


@pytest.fixture
def live_phone(serve, tmp_path):
    """A browser whose camera shows a film made of the given pictures."""
    playwright = pytest.importorskip("playwright.sync_api", reason="the browser is driven by playwright")
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine (Debian: apt install chromium)")
    page = serve()
    with playwright.sync_playwright() as driver:

        def open_page(*pictures):
            film = tmp_path / "film.mjpeg"
            film.write_bytes(b"".join(cv2.imencode(".jpg", each)[1].tobytes() for each in pictures))
            options = [
                "--use-fake-ui-for-media-stream",
                "--use-fake-device-for-media-stream",
                f"--use-file-for-fake-video-capture={film}",
                *(["--no-sandbox"] if os.geteuid() == 0 else []),
            ]
            browser = driver.chromium.launch(executable_path=CHROMIUM, args=options)
            tab = browser.new_page(viewport={"width": 390, "height": 844})
            tab.set_default_timeout(90_000)
            tab.goto(f"http://127.0.0.1:{page.port}/enter/{page.settings.key.token}")
            tab.wait_for_url(re.compile(r"\d/$"))
            tab.get_by_role("link", name="Alder Lane").click()
            tab.wait_for_url(re.compile("/sled/"))
            return tab

        yield open_page


def test_the_view_judges_and_its_shutter_takes_the_photo(live_phone):
    tab = live_phone(shrunk(PHOTOS / "corner-2.jpg", 2016))
    tab.get_by_text("More about this piece").click()
    tab.get_by_label("offcut, one fresh cut").check()
    tab.get_by_role("button", name="Camera that says what to mend").click()
    tab.get_by_text("Good. Take it now.").wait_for()
    assert tab.get_attribute("#seen", "points").count(",") == 4
    assert not tab.get_by_text("Take the photo", exact=True).is_visible()
    tab.get_by_role("button", name="Take it now").click()
    tab.wait_for_url(re.compile("/reading/"))
    assert "4 edges" in tab.inner_text("main") or "Alder Lane" in tab.inner_text("main")


def test_the_view_says_what_is_wrong_and_closes(live_phone, frame):
    tab = live_phone(scaled(frame, 0.55))
    tab.get_by_role("button", name="Camera that says what to mend").click()
    tab.get_by_text("Nearer: the sheet should fill the picture.").wait_for()
    tab.get_by_role("button", name="Close the camera").click()
    assert tab.get_by_text("Take the photo", exact=True).is_visible()
    assert not tab.locator("#video").is_visible()
