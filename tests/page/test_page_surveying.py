"""A survey taken photo by photo on the phone: what does not belong is left out, and nothing of it is lost by a slip."""

from __future__ import annotations

import re

import pytest
from phone import PHOTOS
from test_page_adjusting import finished
from test_page_views import words

pytestmark = pytest.mark.photos


def send(phone, name):
    return finished(phone, phone.send("/survey/photo", (PHOTOS / name).read_bytes(), {}))


def names(phone):
    return re.findall(r'name="photo" value="([^"]+)"', phone.get("/survey").text)


def test_a_photo_with_a_piece_on_it_or_of_before_is_no_photo_of_the_bare_sheet(serve):
    phone = serve().phone()
    send(phone, "survey-1.jpg")
    assert "Survey: 1 of 8 photos" in words(phone.get("/survey"))
    assert "Not measured" in words(send(phone, "corner-2.jpg"))
    assert "is in the survey already" in words(send(phone, "survey-1.jpg"))
    assert "Survey: 1 of 8 photos" in words(phone.get("/survey"))


def test_one_photo_goes_alone_and_all_go_in_two_steps(serve):
    phone = serve().phone()
    for number in (1, 2, 3):
        send(phone, f"survey-{number}.jpg")
    first, second, third = names(phone)
    phone.post("/survey/remove", {"photo": second})
    assert names(phone) == [first, third]
    phone.post("/survey/remove", {"photo": "../" + third})
    assert names(phone) == [first, third]
    # what forgets all of them says how many, and stands behind a summary
    shown = phone.get("/survey").text
    closed = re.search(r"<details>\s*<summary>Start the survey over</summary>(.*?)</details>", shown, re.DOTALL)[1]
    assert "All 2 photos of this survey will be forgotten" in closed
    assert shown.count('action="/survey/over"') == closed.count('action="/survey/over"') == 1
    phone.post("/survey/over", {})
    assert names(phone) == []


def test_a_rule_that_was_misread_is_told_before_and_loses_nothing(serve):
    phone = serve().phone()
    for number in (1, 2, 3, 4):
        send(phone, f"survey-{number}.jpg")
    answer = phone.post("/survey/finish", {"ruled": "29,1cm"})
    assert answer.status == 400
    assert "read the rule again" in words(answer)
    assert "No photo is lost" in words(answer)
    assert 'value="29,1cm"' in answer.text
    # beside the field as well, and marked there
    assert re.search(r'<p class="wrong" id="ruled-wrong">[^<]*No photo is lost', answer.text)
    assert re.search(r'<input[^>]*id="ruled"[^>]*aria-invalid="true"[^>]*ruled-wrong', answer.text)
    assert len(names(phone)) == 4


def test_coming_in_again_by_the_address_finds_the_survey_as_it_was(serve):
    page = serve()
    phone = page.phone()
    send(phone, "survey-1.jpg")
    phone.get(f"/enter/{page.settings.key.token}")
    assert len(names(phone)) == 1
