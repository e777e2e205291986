"""Checks beside the fence's error, from the phone: two stops, a part's groove, the work's tolerance, two cuts."""

from __future__ import annotations

import re

import pytest
from phone import PHOTOS, SLED_KEY
from PIL import Image
from test_page_adjusting import finished
from test_page_views import typed, words

import visioncheck
from visioncheck.log.store import Log
from visioncheck.measuring.keep import attach_outcome
from visioncheck.measuring.measure import measure_piece
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.request import MeasureRequest, read_sled


def test_two_stops_are_compared_as_from_python(serve):
    page = serve()
    phone = page.phone()
    first = {"piece1": "300,02", "piece2": "300.05mm"}
    second = {"second1": "450.10", "second2": "450,12", "second3": "450.11"}
    more = {"set": "300", "second_set": "450", "angles": "90,02; 90.01", "second_angles": "90.1;90.11;90.1"}
    answer = typed(phone, "two-stops", **first, **second, **more)
    assert answer.status == 303
    with Log.open(page.settings.log, readonly=True) as log:
        (entry,) = log.entries()
    found = visioncheck.lengths(
        read="300.02mm,300.05mm", second_read="450.10mm,450.12mm,450.11mm", set="300mm", second_set="450mm",
        angles=[90.02, 90.01], second_angles=[90.1, 90.11, 90.1],
    )  # fmt: skip
    assert entry.reading["zero_mm"] == found.to_dict()["zero_mm"]
    assert entry.reading["line_deg"] == found.to_dict()["line_deg"]
    # one of the two lines' corners alone tells nothing, and what was typed stays
    half = typed(phone, "two-stops", **first, **second, angles="90.02;90.01")
    assert half.status == 400
    assert "First stop: corners of the sawn ends, degrees and Second stop: corners" in words(half)
    assert 'value="300,02"' in half.text


PART = "/groove?at=76.2&mating=18.2&fit=slide&board=508&zero_kerf=3.2&fence=right&flange=left"


def test_a_parts_groove_is_as_wide_as_from_python(serve):
    phone = serve().phone()
    saw = {"zero_kerf": "3.2mm", "fence": "right", "flange": "left"}
    groove = {"name": "groove", "at": "76.2mm", "mating": "18.2mm", "mating_plus_minus": "0.1mm", "fit": "slide"}
    plan = {"name": "One groove", "units": "mm", "board": {"width": "508mm"}, "saw": saw, "groove": [groove]}
    said = words(phone.get(f"{PART}&mating_plus_minus=0,1"))
    for line in visioncheck.grooves(plan).lines():
        assert line.text in said
    for change, complaint in (
        (("&mating=18.2&fit=slide", ""), "The groove’s width: is empty; fill it in, or the part’s width"),
        (("&fit=slide", ""), "fit"),
        (("&mating=18.2&fit=slide", "&width=18&mating_plus_minus=0.1"), "stands without that width"),
    ):
        answer = phone.get(PART.replace(*change))
        assert answer.status == 400
        assert complaint in re.search(r'role="alert">(.*?)</p>', answer.text, re.DOTALL)[1]


@pytest.mark.parametrize(
    ("kind", "query", "given"),
    [
        ("joint", "width=90&gap=0,1", {"width": "90mm", "gap": "0.1mm"}),
        ("panel", "width=400&length=600mm&diagonals=1", {"width": "400mm", "length": "600mm", "diagonals": "1mm"}),
        ("box", "depth=200&height=100&wind=0.5", {"depth": "200mm", "height": "100mm", "wind": "0.5mm"}),
        ("drawer", "depth=16in&height=4in", {"depth": "16in", "height": "4in"}),
        ("frame", "width=45&sides=6&last_gap=0.5", {"width": "45mm", "sides": 6, "last_gap": "0.5mm"}),
    ],
)
def test_the_works_tolerance_is_that_from_python(serve, kind, query, given):
    phone = serve().phone()
    assert f'href="/tolerance/{kind}"' in phone.get("/tolerance").text
    assert "Work it out" in words(phone.get(f"/tolerance/{kind}"))
    shown = phone.get(f"/tolerance/{kind}?{query}")
    for line in visioncheck.tolerance(kind, **given).lines():
        assert line.text in words(shown)
    drawn = phone.get(re.search(rf'src="(/tolerance/{kind}.png[^"]+)"', shown.text)[1].replace("&amp;", "&"))
    assert drawn.body.startswith(b"\x89PNG")


def test_the_tolerance_is_held_against_the_sled_as_it_is_logged(serve):
    page = serve()
    phone = page.phone()
    ask = f"/tolerance/drawer?depth=400&height=100&sled={SLED_KEY}"
    before = words(phone.get(ask))
    typed(phone, "corner", angle="90.2")
    after = words(phone.get(ask))
    sled = page.settings.sleds / "alder-lane.toml"
    expected = visioncheck.tolerance("drawer", depth="400mm", height="100mm", sled=sled, log=page.settings.log)
    assert expected.asked.today is not None
    for line in expected.lines():
        assert line.text in after
    assert expected.lines()[-1].text not in before


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("width=&gap=1", "Width of the joint is empty; fill it in"),
        ("width=far", "Width of the joint"),
        ("width=90&ends=two", "Sawn ends that meet, 1 or 2 &#39;two&#39; is no whole number"),
        ("width=90&ends=3", "Sawn ends that meet"),
    ],
)
def test_a_slip_is_said_by_its_label_with_all_that_was_typed(serve, query, said):
    answer = serve().phone().get(f"/tolerance/joint?{query}")
    assert answer.status == 400
    assert said in re.search(r'role="alert">(.*?)</p>', answer.text, re.DOTALL)[1]
    assert 'role="alert"' in answer.text
    assert "--" not in words(answer)


def test_there_is_no_such_work(serve):
    phone = serve().phone()
    assert phone.get("/tolerance/chair").status == 404
    assert phone.get("/tolerance/chair.png").status == 404
    assert phone.get("/tolerance/joint.png").status == 404


@pytest.mark.photos
def test_a_second_photo_may_be_of_a_second_cut(serve):
    page = serve()
    sled = read_sled(page.settings.sleds / "alder-lane.toml")
    told = PieceOptions(piece="corner")
    first, second = PHOTOS / "corner-31-turn0.jpg", PHOTOS / "corner-31-turn90.jpg"
    with Log.open(page.settings.log) as log:
        entry = attach_outcome(log, measure_piece(MeasureRequest(first, None, sled, None, told)))
    phone = page.phone()
    assert "Or is it another cut of the same board?" in words(phone.get(f"/turn/{entry.id}"))
    sent = phone.send(f"/turn/{entry.id}", second.read_bytes(), {"recut": "end for end"})
    new_id = finished(phone, sent).header("location").rpartition("/")[2]
    with Log.open(page.settings.log, readonly=True) as log:
        new = log.get(new_id)
    assert new.reading["told"]["recut"] == "end for end"
    options = PieceOptions(piece="corner", recut="end for end")
    expected = measure_piece(MeasureRequest(first, second, sled, None, options))
    assert new.reading["two_cuts"]["seat_deg"] == expected.reading["two_cuts"]["seat_deg"]
    assert "/turn/" not in phone.get(f"/reading/{new_id}").text


@pytest.mark.photos
def test_a_planed_edge_is_read_and_a_second_photo_of_it_asked_for_end_for_end(serve):
    page = serve()
    phone = page.phone()
    photo = (PHOTOS / "corner-2.jpg").read_bytes()
    assert 'name="piece" value="straight"' in phone.get(f"/sled/{SLED_KEY}").text
    sent = phone.send(f"/sled/{SLED_KEY}/photo", photo, {"piece": "straight", "rig": "none"})
    entry_id = finished(phone, sent).header("location").rpartition("/")[2]
    with Log.open(page.settings.log, readonly=True) as log:
        entry = log.get(entry_id)
    assert entry.reading["piece"] == "straight"
    assert entry.fence_error is None
    shown = phone.get(f"/reading/{entry_id}")
    assert "Surer: a second photo, turned end for end" in words(shown)
    assert "RIGHT end" not in words(shown)
    asked = words(phone.get(f"/turn/{entry_id}"))
    assert "the planed edge lies where it lay and faces the other way" in asked
    assert "quarter" not in asked


@pytest.mark.photos
def test_slots_of_the_log_tell_of_the_blade_as_from_python(serve, tmp_path):
    page = serve()
    sled = read_sled(page.settings.sleds / "alder-lane.toml")
    first, second = PHOTOS / "kerf-2.jpg", tmp_path / "kerf-other.jpg"
    with Image.open(first) as seen:
        seen.save(second, quality=92, exif=seen.getexif())
    told = PieceOptions(piece="slot")
    with Log.open(page.settings.log) as log:
        one, other = (
            attach_outcome(log, measure_piece(MeasureRequest(path, None, sled, None, told))) for path in (first, second)
        )
    phone = page.phone()
    assert f'href="/travel/{one.id}"' in phone.get(f"/reading/{one.id}").text
    asked = phone.get(f"/travel/{one.id}")
    assert f'name="pulled_back" value="{other.id}"' in asked.text
    assert f'name="other_end" value="{one.id}"' not in asked.text
    both = phone.post(f"/travel/{one.id}", {"other_end": other.id, "pulled_back": other.id})
    assert both.status == 400
    assert "One slot cannot be both." in words(both)
    sent = phone.post(f"/travel/{one.id}", {"other_end": other.id, "pulled_back": ""})
    new_id = finished(phone, sent).header("location").rpartition("/")[2]
    with Log.open(page.settings.log, readonly=True) as log:
        new = log.get(new_id)
        assert log.get(one.id).corrected_by == new_id
        assert log.get(other.id).corrected_by is None
    expected = visioncheck.travel(first, other_end=second, sled=sled)
    assert new.reading["travel"] == expected.to_dict()["travel"]
    shown = words(phone.get(f"/reading/{new_id}"))
    assert shown.count("Blade against the travel") == 1
    for line in expected.lines():
        assert line.text in shown


def test_only_a_photographed_slot_tells_of_the_blade(serve):
    page = serve()
    phone = page.phone()
    entry_id = typed(phone, "corner", angle="90.2").header("location").rpartition("/")[2]
    assert phone.get(f"/travel/{entry_id}").status == 404
    assert f"/travel/{entry_id}" not in phone.get(f"/reading/{entry_id}").text
