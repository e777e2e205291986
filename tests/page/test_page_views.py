"""What the screens say: sleds, typed readings, units, the log, its charts, and names that look like markup."""

from __future__ import annotations

import csv
import gzip
import html
import io
import json
import re
import shutil

import pytest
from page_pictures import picture
from phone import FIXTURES, PHOTOS, SLED_KEY, until
from pretended_work import do

from visioncheck.fence.typed import compute_typed
from visioncheck.log.entry import EntryDraft
from visioncheck.log.store import Log
from visioncheck.measuring.keep import attach_outcome
from visioncheck.measuring.measure import measure_piece
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.request import MeasureRequest, read_rig, read_sled
from visioncheck.page.stock import short_key
from visioncheck.present.correction import _STEPS
from visioncheck.present.flags import FLAGS, remedy
from visioncheck.quantity import Quantity
from visioncheck.sled.file import load_sled

STRIP = {"rear": "31.02", "front": "30.10mm", "length": "11.8in", "cuts": "5"}


def words(answer):
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text)))


def typed(phone, way="strip", **fields):
    phone.get(f"/typed/{SLED_KEY}/{way}")
    return phone.post(f"/typed/{SLED_KEY}/{way}", fields)


def test_typed_reading_is_reckoned_as_the_command_does_and_kept(serve):
    page = serve()
    phone = page.phone()
    answer = typed(phone, **STRIP, note="new blade", adjusted="half a turn")
    assert answer.status == 303
    with Log.open(page.settings.log, readonly=True) as log:
        (entry,) = log.entries()
    sled = load_sled(FIXTURES / "sleds" / "alder-lane.toml")
    assert entry.fence_error == compute_typed(STRIP, sled).error
    assert (entry.kind, entry.note, entry.adjusted) == ("typed", "new blade", "half a turn")
    said = words(phone.get(answer.header("location")))
    # the rear end is wider: e > 0, so the right end has to come back (the project's own sign convention)
    assert "RIGHT end BACK, towards you" in said
    assert "new blade" in said
    assert "half a turn" in said
    assert "Unplug the saw" in said
    # the next photo is asked for with the move that was made, so that the log does not take it for drift
    moved = phone.get(f"/sled/{SLED_KEY}?after={entry.id}")
    assert re.search(r"<textarea[^>]*>RIGHT end BACK, towards you, [^<]+ anticlockwise</textarea>", moved.text)
    assert "Cut a fresh piece" in words(moved)
    assert phone.get(f"/sled/{SLED_KEY}?after=../x").status == 200


@pytest.mark.parametrize(
    ("way", "fields", "value"),
    [
        ("corner", {"angle": "90.05"}, 0.05),
        ("panel", {"corner1": "90.03", "corner2": "90.03", "corner3": "90.03", "corner4": "89.91"}, 0.03),
        # half of atan(0.6 / 300): one half turned over shows the error twice
        ("wedge", {"wedge": "0.6mm", "length": "300mm", "turned": "left", "opens": "far"}, 0.0573),
    ],
)
def test_other_ways_to_measure(serve, way, fields, value):
    page = serve()
    assert typed(page.phone(), way, **fields).status == 303
    with Log.open(page.settings.log, readonly=True) as log:
        (entry,) = log.entries()
    assert abs(entry.fence_error.value) == pytest.approx(value, abs=5e-4)


def test_a_decimal_comma_is_taken_in_every_field(serve):
    page = serve(do=do)
    phone = page.phone()
    assert typed(phone, rear="31,02", front="30,10mm", length="11,8in", cuts="5", u="0,01mm").status == 303
    assert typed(phone, "panel", corner1="90,03", corner2="90,03", corner3="90,03", corner4="89,91").status == 303
    assert typed(phone, "wedge", wedge="0,6mm", length="300,5mm", turned="left", opens="far").status == 303
    with Log.open(page.settings.log, readonly=True) as log:
        first = next(iter(log.entries()))
    sled = load_sled(FIXTURES / "sleds" / "alder-lane.toml")
    given = {"rear": "31.02", "front": "30.10mm", "length": "11.8in", "cuts": "5", "u": "0.01mm"}
    assert first.fence_error == compute_typed(given, sled).error
    sent = phone.send(f"/sled/{SLED_KEY}/photo", picture(), {"thickness": "18,3mm±0,1mm", "note": "quick"})
    assert sent.status == 303
    job = page.desk.spool.get(sent.header("location").rpartition("/")[2])
    assert job.told["thickness"] == "18.3mm±0.1mm"


def test_repeat_cuts_are_typed_and_order_no_move(serve):
    page = serve()
    phone = page.phone()
    answer = typed(phone, "stop", piece1="300,02", piece2="300.05", piece3="299.99mm", set="300")
    assert answer.status == 303
    with Log.open(page.settings.log, readonly=True) as log:
        (entry,) = log.entries()
    assert entry.fence_error is None
    assert [each["length_mm"] for each in entry.reading["stops"][0]["pieces"]] == [300.02, 300.05, 299.99]
    said = words(phone.get(answer.header("location")))
    assert "lengths 300.02 mm; longest less shortest 0.060 mm" in said
    assert "Unplug" not in said
    assert "no repeat cuts" in words(typed(phone, "stop", piece1="300", piece2="350"))


def test_a_phone_shows_number_keys_where_numbers_are_typed(serve):
    page = serve()
    phone = page.phone()
    modes = {
        way: re.findall(r'inputmode="(\w+)"', phone.get(f"/typed/{SLED_KEY}/{way}").text) for way in ("strip", "panel")
    }
    assert modes == {"strip": ["decimal"] * 3 + ["numeric"], "panel": ["decimal"] * 4}
    phone.post("/units", {"units": "in", "back": "/"})
    # inches are typed as fractions too, which number keys cannot
    assert re.findall(r'inputmode="(\w+)"', phone.get(f"/typed/{SLED_KEY}/strip").text) == ["numeric"]


def test_a_change_of_units_keeps_the_address_whole(serve):
    page = serve()
    phone = page.phone()
    moved = typed(phone, **STRIP).header("location").rpartition("/")[2]
    form = phone.get(f"/sled/{SLED_KEY}?after={moved}").text
    back = re.search(r'name="back" value="([^"]+)"', form)[1]
    led = phone.post("/units", {"units": "in", "back": back}).header("location")
    assert "Cut a fresh piece" in words(phone.get(led))


def test_what_was_sent_leaves_a_trace_on_the_start_and_in_the_log(serve, tmp_path):
    page = serve(do=do)
    phone, other = page.phone(), page.phone()
    gate = tmp_path / "go"
    waiting = [
        phone.send(f"/sled/{SLED_KEY}/photo", picture(seed=k), {"rig": "none", "note": f"wait for {gate}"})
        for k in range(2)
    ]
    start = phone.get("/").text
    titles = re.findall(r"<b>([^<]+)</b>", start)
    assert len(titles) == 2
    assert all(re.fullmatch(r"Alder Lane, photo of \d\d:\d\d:\d\d", title) for title in titles)
    assert len(start.encode()) < 30_000
    gate.touch()
    jobs = [answer.header("location") for answer in waiting]
    until(lambda: all(json.loads(phone.get(f"{job}/state").text)["done"] for job in jobs))
    assert words(phone.get("/")).count("Not measured: Done: wait for") == 2
    assert "Since you last looked" not in words(other.get("/"))
    phone.get(jobs[0])  # looked at: no news any more
    assert words(phone.get("/")).count("Not measured: Done: wait for") == 1
    # whoever looks at the log sees both
    assert words(other.get("/log")).count("Not measured: Done: wait for") == 2
    assert f'href="{jobs[0]}"' in other.get("/log").text


def test_the_start_and_all_that_it_loads_are_small(serve):
    page = serve()
    for number in range(10):
        text = (page.settings.sleds / "alder-lane.toml").read_text()
        (page.settings.sleds / f"{number}.toml").write_text(text.replace("Alder Lane", f"Sled number {number}"))
    phone = page.phone()
    start = phone.get("/")
    loaded = re.findall(r'(?:src|href)="(/asset/[^"]+)"', start.text)
    assert "/asset/page.js" in loaded
    sent = [phone.get(path, **{"Accept-Encoding": "gzip"}) for path in loaded]
    assert {each.status for each in sent} == {200}
    assert sum(len(each.body) for each in (start, *sent)) < 30_000
    script = next(each for path, each in zip(loaded, sent, strict=True) if path == "/asset/page.js")
    assert gzip.decompress(script.body) == phone.get("/asset/page.js").body  # who asks for none gets it as it is


def test_the_start_says_how_each_sled_stands(serve):
    page = serve()
    phone = page.phone()
    assert "no reading yet" in words(phone.get("/"))
    typed(phone, "corner", angle="90.09", u="0.004deg")
    assert re.search(r"Alder Lane .{0,20}Outside the tolerance, \d{4}-\d\d-\d\d", words(phone.get("/")))
    typed(phone, "corner", angle="90.001", u="0.004deg", adjusted="1 turn")
    changed = r"Inside the tolerance, [\d-]+ .* Last changed before [\d-]+: 1 turn"
    assert re.search(changed, words(phone.get("/")))
    typed(phone, "corner", angle="90.002", u="0.004deg")
    assert re.search(changed, words(phone.get("/")))
    own = words(phone.get(f"/trend/{SLED_KEY}"))
    # the readings since the change are one verdict; and that change before, foretold and then, side by side
    assert "in 2 readings" in own
    assert own.count("too little to say which way") >= 2
    assert "--" not in own
    assert re.search("The last change 1 turn .* Before Outside the tolerance .* Then Inside the tolerance", own)
    assert "The newest reading, with its picture" in own
    assert own.count("adjusted: 1 turn") == 1
    text = (page.settings.sleds / "alder-lane.toml").read_text()
    refused = {"schema": 1, "status": "refused", "reason": "blurred"}
    with Log.open(page.settings.log) as log:
        log.attach(EntryDraft("Alder Lane", refused, kind="typed", sled_text=text, adjusted="half a turn"))
    said = words(phone.get("/"))
    assert "adjusted since" in said
    assert "half a turn" in said
    assert "Inside the tolerance" not in said


def test_a_reading_is_withdrawn_and_stays_in_the_log(serve):
    page = serve()
    phone = page.phone()
    wrong = typed(phone, "corner", angle="90.4").header("location")
    assert "Withdraw it" in words(phone.get(wrong))
    led = phone.post(f"{wrong}/withdraw", {"reason": "wrong piece"}).header("location")
    assert "withdrawn: wrong piece" in words(phone.get(led))
    assert "Withdraw it" not in words(phone.get(led))
    assert not re.search(r"(LEFT|RIGHT) end", words(phone.get(wrong)))
    assert phone.post(f"{wrong}/withdraw", {}).status == 400
    assert "no reading yet" in words(phone.get("/"))
    with Log.open(page.settings.log, readonly=True) as log:
        old, new = log.entries()
    assert (old.corrected_by, new.corrects) == (new.id, old.id)


def test_sheets_report_and_table_are_there_to_take_along(serve):
    page = serve()
    phone = page.phone()
    typed(phone, "corner", angle="90.02", note="=HYPERLINK(1)")
    offered = re.findall(r'href="(/sheets/[^"]+)"', phone.get("/sheets").text)
    assert "/sheets/letter-dark.pdf" in offered
    for path in ("/sheets/a4-light.pdf", "/sheets/tags-letter.pdf"):
        assert path in offered
        sent = phone.get(path)
        assert sent.body.startswith(b"%PDF-")
        assert "attachment" in sent.header("content-disposition")
    assert phone.get("/sheets/a5-light.pdf").status == 404
    assert "Alder Lane" in phone.get("/report.html").text
    (row,) = csv.DictReader(io.StringIO(phone.get("/log.csv").body.decode("utf-8-sig")))
    assert (row["sled"], float(row["fence_error_deg"])) == ("Alder Lane", pytest.approx(0.02))
    assert row["note"].startswith("'=")  # no spreadsheet takes it for a formula


@pytest.mark.photos
def test_what_was_wrong_with_a_reading_is_mended_without_a_new_photo(serve, rig_file):
    page = serve()
    text = (page.settings.sleds / "alder-lane.toml").read_text()
    (page.settings.sleds / "other.toml").write_text(text.replace("Alder Lane", "Birch Yard"))
    shutil.copy(rig_file, page.settings.rigs / "own.json")
    phone = page.phone()
    photo = (PHOTOS / "corner-2.jpg").read_bytes()
    job = phone.send(f"/sled/{SLED_KEY}/photo", photo, {"piece": "corner"}).header("location")
    until(lambda: phone.get(job).status == 303, 180)
    wrong = phone.get(job).header("location")
    assert f'value="{short_key("Birch Yard")}"' in phone.get(wrong).text
    phone.post("/units", {"units": "in"})
    mended = phone.post(f"{wrong}/tell", {"sled": short_key("Birch Yard"), "thickness": "3/4"}).header("location")
    until(lambda: phone.get(mended).status == 303, 180)
    with Log.open(page.settings.log, readonly=True) as log:
        new = log.get(phone.get(mended).header("location").rpartition("/")[2])
    assert (new.sled, new.corrects) == ("Birch Yard", wrong.rpartition("/")[2])
    assert new.reading["told"]["piece"] == "corner"  # what was told before still holds
    assert new.reading["told"]["thickness_mm"]["value"] == pytest.approx(19.05)
    assert phone.post(f"{wrong}/tell", {"sled": "gone"}).status == 400


def test_a_sending_that_comes_again_makes_no_second_photo(serve):
    page = serve(do=do)
    phone, other = page.phone(), page.phone()
    sent = {"rig": "none", "note": "quick", "once": "a-1"}
    first, again = (phone.send(f"/sled/{SLED_KEY}/photo", picture(), sent).header("location") for _ in range(2))
    assert first == again
    assert phone.send(f"/sled/{SLED_KEY}/photo", picture(), sent | {"once": "a-2"}).header("location") != first
    assert other.send(f"/sled/{SLED_KEY}/photo", picture(), sent).header("location") != first


def test_a_form_without_script_that_is_sent_twice_waits_once(serve, tmp_path):
    page = serve(do=do)
    phone = page.phone()
    gate = tmp_path / "go"
    sent = {"rig": "none", "note": f"wait for {gate}"}
    path = f"/sled/{SLED_KEY}/photo"
    first, again = (phone.send(path, picture(), sent).header("location") for _ in range(2))
    assert first == again
    others = [phone.send(path, picture(seed=9), sent), phone.send(path, picture(), sent | {"piece": "corner"})]
    assert len({first, *(each.header("location") for each in others)}) == 3
    gate.touch()
    until(lambda: not page.desk.spool.unfinished())


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"length": "long"}, "Distance between the two places: 'long' is not a length"),
        ({"front": ""}, "Width at the front end is empty"),
        ({"cuts": "five"}, "Successive cuts, the last one counted 'five' is no number"),
        ({"rear": "199mm"}, "These readings put the fence"),
        ({"u": "0mm"}, "uncertainty of one reading"),
    ],
)
def test_what_cannot_be_is_said_in_the_forms_own_words_with_all_that_was_typed(serve, wrong, said):
    page = serve()
    answer = typed(page.phone(), **{**STRIP, **wrong})
    assert answer.status == 400
    assert said.lower() in words(answer).lower()
    assert "--" not in words(answer)
    for value in {**STRIP, **wrong}.values():
        assert f'value="{value}"' in answer.text
    with Log.open(page.settings.log, readonly=True) as log:
        assert list(log.entries()) == []


def test_units_are_remembered_and_used(serve):
    page = serve()
    phone = page.phone()
    reading = typed(phone, **STRIP).header("location")
    assert re.search(r"\d\.\d{3} mm \([\d.]+ thou\)", words(phone.get(reading)))  # the sled speaks mm
    phone.post("/units", {"units": "in", "back": reading})
    assert phone.cookies["units"] == "in"
    assert re.search(r"[\d.]+ thou \(\d\.\d{3} mm\)", words(phone.get(reading)))
    # a bare number is now one in inches
    answer = typed(phone, rear="1.1976", front="1.1850", length="11.8", cuts="5")
    with Log.open(page.settings.log, readonly=True) as log:
        entry = log.get(answer.header("location").rpartition("/")[2])
    sled = load_sled(FIXTURES / "sleds" / "alder-lane.toml")
    given = {"rear": "1.1976in", "front": "1.1850in", "length": "11.8in", "cuts": "5"}
    assert entry.fence_error == compute_typed(given, sled).error


def test_log_is_browsed_newest_first_page_by_page_with_a_chart(serve):
    page = serve()
    phone = page.phone()
    for k in range(17):
        typed(phone, "corner", angle=f"90.{k:03d}")
    first, second = phone.get("/log"), phone.get("/log?page=2")
    assert first.text.count('href="/reading/') == 15
    assert second.text.count('href="/reading/') == 2
    assert words(first).index("+0.016°") < words(first).index("+0.002°")
    assert "Older" in words(first)
    assert "Newer" in words(second)
    for odd in ("0", "-1", "x", "99999999999", "%C2%B2"):
        assert phone.get(f"/log?page={odd}").status == 200
    trend = phone.get(f"/trend/{SLED_KEY}")
    assert "17 readings" in words(trend)
    chart = phone.get(f"/chart/{SLED_KEY}")
    assert chart.header("content-type") == "image/png"
    assert chart.body.startswith(b"\x89PNG")


def test_an_empty_log_and_a_newcomer_are_told_what_to_do(serve):
    page = serve()
    phone = page.phone()
    assert "not surveyed yet" in words(phone.get("/"))
    assert "No reading is in the log yet" in words(phone.get("/log"))
    (page.settings.sleds / "alder-lane.toml").unlink()
    assert "visioncheck sled" in words(phone.get("/"))


def test_sled_files_that_cannot_be_read_are_named_and_the_others_stand(serve):
    page = serve()
    sleds = page.settings.sleds
    (sleds / "broken.toml").write_text("name = ")
    (sleds / "same.toml").write_text((sleds / "alder-lane.toml").read_text())
    said = words(page.phone().get("/"))
    assert "broken.toml" in said
    assert "same sled name, Alder Lane" in said
    assert f'href="/sled/{SLED_KEY}"' in page.phone().get("/").text


def test_a_name_that_looks_like_markup_stays_text(serve):
    page = serve()
    name = "<script>alert('x')</script> & \\\"co\\\""
    text = (page.settings.sleds / "alder-lane.toml").read_text().replace("Alder Lane", name)
    (page.settings.sleds / "odd.toml").write_text(text)
    phone = page.phone()
    key = short_key("<script>alert('x')</script> & \"co\"")
    assert f"/sled/{key}" in phone.get("/").text
    phone.get(f"/typed/{key}/corner")
    answer = phone.post(f"/typed/{key}/corner", {"angle": "90.1", "note": "<img src=x onerror=alert(1)>"})
    pages = [phone.get(path) for path in ("/", f"/sled/{key}", answer.header("location"), "/log", f"/trend/{key}")]
    for shown in pages:
        assert shown.status == 200
        assert not re.search(r"<script>alert|<img src=x", shown.text)
        assert "&lt;script&gt;" in shown.text


def test_a_survey_that_is_chosen_is_remembered_for_this_phone(serve):
    page = serve(do=do)
    for number in (1, 2):
        content = {"kind": "visioncheck rig", "phone": {}, "paper": "a4", "field": "light", "date": f"2026-0{number}"}
        (page.settings.rigs / f"rig{number}.json").write_text(json.dumps(content))
    (page.settings.rigs / "other.json").write_text("{}")
    phone = page.phone()
    shown = phone.get(f"/sled/{SLED_KEY}")
    assert re.findall(r'<option value="([^"]*)"', shown.text) == [
        "",
        short_key("rig2.json"),
        short_key("rig1.json"),
        "none",
    ]
    assert phone.send(f"/sled/{SLED_KEY}/photo", picture(), {"rig": "gone"}).status == 400
    chosen = short_key("rig1.json")
    assert phone.send(f"/sled/{SLED_KEY}/photo", picture(), {"rig": chosen, "note": "quick"}).status == 303
    assert f'<option value="{chosen}" selected>' in phone.get(f"/sled/{SLED_KEY}").text


@pytest.mark.photos
def test_the_survey_is_found_by_phone_and_sheet_as_in_a_batch(serve, rig_file):
    page = serve()
    phone = page.phone()
    photo = (PHOTOS / "corner-2.jpg").read_bytes()

    def read(number, **fields):
        sent = phone.send(f"/sled/{SLED_KEY}/photo", photo + bytes(number), {"piece": "corner", "rig": "", **fields})
        job = sent.header("location")
        until(lambda: "data-job" not in phone.get(job).text, 180)
        return job

    def survey_of(job):
        shown = words(phone.get(phone.get(job).header("location")))
        return re.search(r"Survey (none|[^,]*, a4 light)", shown)[1]

    # with one rig of another phone the photo is measured, without it
    content = json.loads(rig_file.read_text())
    other = content | {"phone": content["phone"] | {"model": "Another"}}
    (page.settings.rigs / "other.json").write_text(json.dumps(other))
    assert survey_of(read(1)) == "none"
    # its own is found beside the other
    shutil.copy(rig_file, page.settings.rigs / "own.json")
    assert survey_of(read(2)).startswith(content["phone"]["model"])
    # "none" can be said, with one rig as with several
    assert survey_of(read(3, rig="none")) == "none"
    # of two that fit alike the user is asked, and nothing need be sent again
    shutil.copy(rig_file, page.settings.rigs / "second.json")
    asked = read(4)
    assert "Which survey?" in words(phone.get(asked))
    offered = re.findall(r'name="rig" value="(\w+)"', phone.get(asked).text)
    assert offered == [short_key(name) for name in ("own.json", "second.json")] + ["none"]
    assert phone.post(f"{asked}/rig", {"rig": "x"}).status == 400
    phone.post(f"{asked}/rig", {"rig": offered[1]})
    until(lambda: phone.get(asked).status == 303, 180)
    assert survey_of(asked).startswith(content["phone"]["model"])
    assert f'<option value="{offered[1]}" selected>' in phone.get(f"/sled/{SLED_KEY}").text


@pytest.mark.photos
def test_a_photo_sent_twice_is_one_reading_and_keeps_what_was_told(serve, rig_file):
    page = serve()
    shutil.copy(rig_file, page.settings.rigs / "own.json")
    phone = page.phone()
    photo = (PHOTOS / "corner-2.jpg").read_bytes()
    readings = set()
    for fields in ({"piece": "corner", "thickness": "18,3mm"}, {"piece": "corner", "thickness": "18.3mm"}, {}):
        job = phone.send(f"/sled/{SLED_KEY}/photo", photo, fields).header("location")
        until(lambda job=job: phone.get(job).status == 303, 180)
        readings.add(phone.get(job).header("location"))
    assert len(readings) == 1
    with Log.open(page.settings.log, readonly=True) as log:
        (entry,) = log.entries()
    assert entry.reading["told"]["thickness_mm"]["value"] == pytest.approx(18.3)


@pytest.mark.parametrize(
    "fields",
    [
        {"piece": "round"},
        {"fence_edge": "up"},
        {"cuts": "1"},
        {"cuts": "x"},
        {"thickness": "18 parsec"},
        {"thickness": "-1mm"},
    ],
)
def test_what_is_said_of_a_piece_is_checked_before_the_photo_is_queued(serve, fields):
    page = serve(do=do)
    answer = page.phone().send(f"/sled/{SLED_KEY}/photo", picture(), {"rig": "none", **fields})
    assert answer.status == 400
    assert "--" not in words(answer)
    assert page.files() == []


def test_after_a_refusal_nothing_need_be_said_twice(serve):
    page = serve(do=do)
    phone = page.phone()
    said = {"piece": "strip", "cuts": "5", "thickness": "3/4in", "fence_edge": "left", "adjusted": "half a turn"}
    job = phone.send(f"/sled/{SLED_KEY}/photo", picture(), {"rig": "none", "note": "quick", **said}).header("location")
    until(lambda: "Done: quick." in phone.get(job).text)
    again = re.search(r'href="(/sled/[^"]+)">Take another photo', phone.get(job).text)[1]
    form = phone.get(again).text
    assert "half a turn</textarea>" in form
    assert 'value="strip" checked' in form
    assert 'value="left" checked' in form
    for name, value in (("cuts", "5"), ("thickness", "3/4in"), ("note", "quick")):
        assert f'name="{name}" value="{value}"' in form


def test_a_photo_form_without_a_photo_says_so(serve):
    page = serve(do=do)
    phone = page.phone()
    answer = phone.send(f"/sled/{SLED_KEY}/photo", b"", {"rig": "none"})
    assert answer.status == 400
    assert "There was no photo" in words(answer)


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        ({"status": "refused", "reason": "withdrawn: wrong piece"}, "withdrawn: wrong piece"),
        (
            {"status": "measured", "piece": "slot", "width_mm": [{"at_mm": 5, "value": 3.2, "u": 0.01, "dof": None}]},
            "Slot, 3.200 ± 0.020 mm wide",
        ),
        ({"status": "measured", "fence_error_deg": {"value": 0.1, "u": 0.01, "dof": None}}, "RIGHT end BACK"),
        ({"status": "measured", "corners": "odd", "turned": {"turn_deg": 90.2}}, "This reading has no fence error"),
    ],
)
def test_whatever_the_log_holds_is_shown(serve, reading, said):
    page = serve()
    text = (page.settings.sleds / "alder-lane.toml").read_text()
    with Log.open(page.settings.log) as log:
        entry = log.attach(EntryDraft("Alder Lane", {"schema": 1, **reading}, kind="typed", sled_text=text))
        bare = log.attach(EntryDraft("Other", {"schema": 1, **reading}, kind="typed"))
    phone = page.phone()
    assert said in words(phone.get(f"/reading/{entry.id}"))
    assert phone.get(f"/reading/{bare.id}").status == 200  # no sled file: no verdict, and no fault
    for path in ("/", "/log", f"/trend/{SLED_KEY}", f"/trend/{short_key('Other')}"):
        assert phone.get(path).status == 200


def test_no_advice_names_an_option():
    for ways in _STEPS.values():
        assert not re.search(r"--\w|visioncheck \w", ways["page"]), ways


def test_no_remedy_names_a_command_or_option():
    for code in FLAGS:
        assert not re.search(r"--\w|visioncheck \w", remedy(code, "page")), code


@pytest.mark.photos
def test_a_photo_that_the_command_line_logged_is_shown_with_its_picture_and_asks_what_is_missing(serve):
    page = serve()
    sled = read_sled(page.settings.sleds / "alder-lane.toml")
    outcome = measure_piece(MeasureRequest(PHOTOS / "strip-1.jpg", None, sled, None, PieceOptions(cuts=5)))
    with Log.open(page.settings.log) as log:
        entry = attach_outcome(log, outcome)
    phone = page.phone()
    shown = phone.get(f"/reading/{entry.id}")
    assert "Which end of the strip was at the fence?" in words(shown)
    # its long sides lie at the picture's top and bottom: they cannot be its ends
    assert re.findall(r'name="fence_edge" value="(\w+)"', shown.text) == ["left", "right"]
    drawn = phone.get(f"/picture/{entry.id}")
    assert drawn.header("content-type") == "image/jpeg"
    assert drawn.body.startswith(b"\xff\xd8\xff")
    asked = phone.post(f"/reading/{entry.id}/tell", {"fence_edge": "left"})
    location = asked.header("location")
    until(lambda: phone.get(location).status == 303)
    reading = phone.get(location).header("location")
    assert re.search(r"(RIGHT end|Can’t tell|Leave the fence)", words(phone.get(reading)))
    with Log.open(page.settings.log, readonly=True) as log:
        new = log.get(reading.rpartition("/")[2])
    assert new.corrects == entry.id
    assert new.reading["told"] == {"cuts": 5, "fence_edge": "left"}  # what was told before still holds
    assert "stands in for this one" in words(phone.get(f"/reading/{entry.id}"))


@pytest.mark.photos
def test_a_gap_is_asked_for_what_it_lacks_and_goes_on_to_the_move(serve, rig_file):
    page = serve()
    sled, rig = read_sled(page.settings.sleds / "alder-lane.toml"), read_rig(rig_file)
    thick = Quantity(19.2, 0.29, "mm")
    outcome = measure_piece(MeasureRequest(PHOTOS / "gap-1.jpg", None, sled, rig, PieceOptions(thick, "gap")))
    with Log.open(page.settings.log) as log:
        entry = attach_outcome(log, outcome)
    phone = page.phone()
    shown = phone.get(f"/reading/{entry.id}")
    assert "Which half was turned over, and where was the straightedge?" in words(shown)
    assert "at its top end in the picture" in words(shown)
    assert re.findall(r'name="turned_half" value="(\w*)"', shown.text) == ["left", "right"]
    assert re.findall(r'name="fence_edge" value="(\w+)"', shown.text) == ["top", "bottom"]
    asked = phone.post(f"/reading/{entry.id}/tell", {"turned_half": "right", "fence_edge": "bottom"})
    location = asked.header("location")
    until(lambda: phone.get(location).status == 303)
    reading = phone.get(location).header("location")
    assert "RIGHT end FORWARD" in words(phone.get(reading))
    assert "Turned over" in words(phone.get(reading))
    with Log.open(page.settings.log, readonly=True) as log:
        new = log.get(reading.rpartition("/")[2])
    # the command says the same
    told = PieceOptions(thick, "gap", "bottom", turned_half="right")
    same = measure_piece(MeasureRequest(PHOTOS / "gap-1.jpg", None, sled, rig, told)).reading
    assert new.reading["fence_error_deg"] == pytest.approx(same["fence_error_deg"])
    assert new.reading["told"] == same["told"]
    # told one after the other, too
    half = phone.post(f"/reading/{entry.id}/tell", {"fence_edge": "bottom"}).header("location")
    until(lambda: phone.get(half).status == 303)
    shown = phone.get(phone.get(half).header("location"))
    assert "Which half was turned over?" in words(shown)
    assert not re.findall(r'name="fence_edge"', shown.text)


@pytest.mark.parametrize(
    ("ask", "fields", "name"),
    [
        (f"/typed/{SLED_KEY}/strip", {"rear": "38.21", "front": "far", "length": "300", "cuts": "5"}, "front"),
        (f"/typed/{SLED_KEY}/strip", {"rear": "38.21", "front": "38.1", "length": "", "cuts": "5"}, "length"),
        (f"/typed/{SLED_KEY}/panel", {f"corner{k}": "9o" for k in range(1, 5)}, "corner1"),
        (f"/typed/{SLED_KEY}/stop", {"piece1": "300x", "piece2": "300"}, "piece1"),
        ("/sleds", {"name": "Oak", "units": "mm", "tolerance": "much"}, "tolerance"),
        ("/groove?at=70&width=broad&board=500&zero_kerf=3.2&fence=right&flange=left", None, "width"),
        ("/groove?at=70&board=500&zero_kerf=3.2&fence=right&flange=left", None, "width"),
        ("/tolerance/joint?width=broad", None, "width"),
    ],
)
def test_a_mistake_is_said_beside_its_field_and_described_by_it(serve, ask, fields, name):
    phone = serve().phone()
    phone.get("/sleds/new" if ask == "/sleds" else ask)
    answer = phone.get(ask) if fields is None else phone.post(ask, fields)
    assert answer.status == 400
    said = re.search(r'role="alert">(.*?)</p>', answer.text, re.DOTALL)[1]
    assert f'<p class="wrong" id="{name}-wrong">{said}</p>' in answer.text
    assert answer.text.count('aria-invalid="true"') == 1
    (field,) = re.findall(rf'<input[^>]* id="{name}"[^>]*>', answer.text)
    assert 'aria-invalid="true"' in field
    assert f"{name}-wrong" in re.search(r'aria-describedby="([^"]*)"', field)[1].split()


def test_hints_speak_in_the_sleds_own_unit(serve):
    page = serve()
    phone = page.phone()
    hints = re.findall(r'class="hint"[^>]*>([^<]*)<', phone.get(f"/typed/{SLED_KEY}/travel").text)
    inch = page.settings.sleds / "alder-lane.toml"
    mine, other = ("0.103", "2.62") if 'units = "in"' in inch.read_text() else ("2.62", "0.103")
    assert any(mine in hint for hint in hints)
    assert not any(other in hint or "{" in hint or "|" in hint for hint in hints)
