"""A sled described and mended on the phone, a groove worked out and checked, a survey refined by the log."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace

import pytest
from page_pictures import picture
from phone import FIXTURES, PHOTOS, SLED_KEY, until
from pretended_work import do
from test_page_adjusting import finished
from test_page_views import words

from visioncheck.kerf.read_plan import load_plan
from visioncheck.log.store import Log
from visioncheck.measuring.keep import attach_outcome
from visioncheck.measuring.measure import measure_piece
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.request import MeasureRequest, read_rig, read_sled
from visioncheck.page.stock import short_key
from visioncheck.sled.file import load_sled, parse_sled
from visioncheck.sled.write import default_answers, read_answers, sled_text

NEW = {
    "name": "Birch Yard",
    "units": "mm",
    "tolerance": "0,3mm/m",
    "fence_side": "front",
    "pivot": "right",
    "fence_length": "800,5mm",
    "adjuster_distance": "650",
    "kind": "shims",
    "leaves": "0,05mm; 0,10mm\n0.20mm",
    "piece_side": "right",
}


def test_a_sled_is_described_on_the_phone_and_used_at_once(serve):
    page = serve()
    phone = page.phone()
    form = phone.get("/sleds/new").text
    # a usual number for a length of this very sled would look right and be wrong
    for field in ("fence_length", "adjuster_distance", "pitch", "kerf"):
        assert re.search(rf'name="{field}" value=""', form)
    made = phone.post("/sleds", NEW)
    assert made.header("location") == f"/sled/{short_key('Birch Yard')}"
    sled = load_sled(page.settings.sleds / "birch-yard.toml")
    assert (sled.fence_side, sled.pivot, sled.piece_side, sled.units) == ("front", "right", "right", "mm")
    assert (sled.fence_length_mm, sled.adjuster_distance_mm) == (800.5, 650)
    assert sled.adjuster.leaves_mm == (0.05, 0.10, 0.20)
    assert (sled.kerf_mm, sled.tip_width_mm) == (None, None)  # not known is not guessed
    assert "Birch Yard" in words(phone.get("/"))


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"fence_length": "long"}, "Length of the fence: "),
        ({"adjuster_distance": ""}, "From the end that stays to the place where you move the fence: "),
        ({"pivot": ""}, "The end that stays when you adjust"),
        ({"kind": ""}, "What moves it"),
        ({"kind": "screw"}, "Travel of the screw in one turn: "),
        ({"tolerance": "5"}, "Largest fence error that you can live with: "),
        ({"name": "Alder Lane"}, "there is one of this name already"),
        ({"leaves": ""}, "Leaves that you own: "),
        ({"mitre": "45deg"}, "forward"),
        ({"mitre": "most", "forward": "left"}, "Set off square on purpose by: "),
    ],
)
def test_what_no_sled_can_be_is_said_by_the_forms_labels_and_all_that_was_typed_stays(serve, wrong, said):
    page = serve()
    phone = page.phone()
    answer = phone.post("/sleds", NEW | wrong)
    assert answer.status == 400
    alert = re.search(r'role="alert">(.*?)</p>', answer.text, re.DOTALL)[1]
    assert said in alert
    assert "800.5mm" in answer.text or "fence_length" in wrong
    assert [path.name for path in page.settings.sleds.iterdir()] == ["alder-lane.toml"]


def test_a_sled_is_mended_and_its_old_file_stays_beside(serve):
    page = serve()
    phone = page.phone()
    path = page.settings.sleds / "alder-lane.toml"
    old = path.read_text()
    form = phone.get(f"/sled/{SLED_KEY}/described").text
    was = re.search(r'name="was" value="(\w+)"', form)[1]
    said = dict(re.findall(r'<input type="text" id="(\w+)" name="\w+" value="([^"]*)"', form))
    said |= dict(re.findall(r'name="(\w+)" value="(\w+)" checked', form))
    assert (said["adjuster_distance"], said["pivot"], said["pitch"]) == ("610mm", "left", "1mm")
    assert "name" not in said  # the log knows it by its name
    changed = said | {"adjuster_distance": "24 1/2in", "was": was, "name": "Other"}
    assert phone.post(f"/sled/{SLED_KEY}/described", changed).status == 303
    sled = load_sled(path)
    assert sled.adjuster_distance_mm == pytest.approx(622.3)
    assert sled.name == "Alder Lane"
    assert replace(sled, adjuster_distance_mm=610) == parse_sled(old, "old")
    assert (page.settings.sleds / "alder-lane.toml.before").read_text() == old
    # two phones at once: who comes second is told
    late = phone.post(f"/sled/{SLED_KEY}/described", changed)
    assert late.status == 400
    assert "changed meanwhile" in words(late)


def test_a_file_that_says_more_than_the_form_is_left_alone(serve):
    page = serve()
    text = (page.settings.sleds / "alder-lane.toml").read_text()
    assert read_answers(text) is not None
    assert read_answers(text.replace("[blade]", "[blade]\nmade = 1")) is None
    assert read_answers(text + "\n[more]\nx = 1\n") is None
    mitred = text.replace("[adjuster]", 'mitre = "45deg"\nforward = "left"\n[adjuster]')
    assert parse_sled(sled_text(read_answers(mitred)), "anew") == parse_sled(mitred, "before")
    for units in ("in", "mm"):
        usual = default_answers(units)
        assert read_answers(sled_text(replace(usual, kind="screw"))).pitch == usual.pitch


# ---------------------------------------------------------------------- grooves

GROOVE = "/groove?at=3in&width=3/4in&board=20in&zero_kerf=1/8in&kerf=3/4in&fence=right&flange=left"


def test_a_groove_is_worked_out_as_the_command_does(serve):
    page = serve()
    phone = page.phone()
    assert "The groove" in words(phone.get("/groove"))
    shown = phone.get(GROOVE)
    from visioncheck.kerf.passes import lay_out
    from visioncheck.kerf.read_plan import plan_from_data
    from visioncheck.present.grooves import layout_lines

    data = {
        "units": "mm",
        "board": {"width": "20in"},
        "saw": {"zero_kerf": "1/8in", "fence": "right", "flange": "left"},
        "blade": {"kerf": "3/4in"},
        "groove": [{"name": "groove", "at": "3in", "width": "3/4in"}],
    }
    for line in layout_lines(lay_out(plan_from_data(data, "plan"))):
        assert line.text in words(shown)
    assert "Unplug the saw" in words(shown)
    drawn = phone.get(re.search(r'src="(/groove.png[^"]+)"', shown.text)[1].replace("&amp;", "&"))
    assert drawn.body.startswith(b"\x89PNG")
    # a bare number is in the page's unit, a decimal comma a point
    metric = words(
        phone.get("/groove?at=76,2&width=19,05&board=508&zero_kerf=3,175&kerf=19,05&fence=right&flange=left")
    )
    assert layout_lines(lay_out(plan_from_data(data, "plan")))[2].text in metric


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("at=3in", "at="), "From the edge at the fence to the groove’s near wall: is empty"),
        (
            ("at=3in", "at=far"),
            "From the edge at the fence to the groove’s near wall: is wrong: &#39;far&#39; is not a length",
        ),
        (("fence=right", "fence=up"), "The fence is on the blade’s: is &#39;up&#39;"),
        (("width=3/4in", "width=-3/4in"), "The groove’s width: is -3/4in; it must be more than nothing"),
        (("width=3/4in", "width=30in"), "leaves the board"),
        (("zero_kerf=1/8in", "zero_kerf=9in"), "Kerf of the blade that the scale was zeroed with: is 228.6 mm"),
        (("&kerf=3/4in", "&kerf=9in"), "Kerf of the blade or stack on the arbor: is 228.6 mm"),
        (("&kerf=3/4in", "&plus_minus=0.1mm"), "± at 95 %: stands without that kerf"),
    ],
)
def test_a_groove_that_cannot_be_is_said_with_all_that_was_typed(serve, change, said):
    answer = serve().phone().get(GROOVE.replace(*change))
    assert answer.status == 400
    assert said in re.search(r'role="alert">(.*?)</p>', answer.text, re.DOTALL)[1]
    assert 'name="board" value="20in"' in answer.text
    assert "--" not in words(answer)
    assert "groove[1]" not in words(answer)


def test_an_overlap_can_be_told_for_the_blade_of_the_scales_zero(serve):
    phone = serve().phone()
    shown = [
        re.findall(r"pass \d+[^|]*?\d", words(phone.get(GROOVE.replace("&kerf=3/4in", blade))))
        for blade in ("", "&overlap=1/32in", "&kerf=1/8in&overlap=1/16in", "&overlap=1/16in")
    ]
    assert shown[0]
    assert shown[0] == shown[1]  # as usual: 1/32 in, a quarter of this blade
    assert shown[0] != shown[2] == shown[3]


def test_a_slot_of_the_log_stands_for_the_kerf(serve):
    page = serve()
    width = [{"at_mm": 5, "value": 3.2, "u": 0.01, "dof": None}]
    reading = {"schema": 1, "status": "measured", "piece": "slot", "width_mm": width}
    from visioncheck.log.entry import EntryDraft

    with Log.open(page.settings.log) as log:
        entry = log.attach(EntryDraft("Alder Lane", reading, kind="typed"))
    phone = page.phone()
    assert f'value="{entry.id}"' in phone.get("/groove").text
    shown = words(phone.get(f"/groove?at=50&width=10&board=300&zero_kerf=3&slot={entry.id}&fence=right&flange=left"))
    assert "3.20 mm on the arbor" in shown
    both = phone.get(f"/groove?at=50&width=10&board=300&zero_kerf=3&kerf=3&slot={entry.id}&fence=right&flange=left")
    assert both.status == 400


def test_a_photo_of_the_board_is_queued_with_its_plan(serve):
    page = serve(do=do)
    phone = page.phone()
    said = dict(re.findall(r"(\w+)=([^&]+)", GROOVE))
    sent = phone.send("/groove/photo", picture(), said | {"fence_edge": "left", "thickness": "18,5mm"})
    assert sent.status == 303
    job = page.desk.spool.get(sent.header("location").rpartition("/")[2])
    assert job.kind == "groove"
    assert job.told["plan"]["groove"][0]["at"] == "3in"
    assert job.told["thickness"] == "18.5mm"
    assert phone.send("/groove/photo", picture(), said | {"at": ""}).status == 400


@pytest.mark.photos
def test_a_photo_without_a_board_is_refused_in_the_pages_words(serve):
    page = serve()
    phone = page.phone()
    phone.get("/groove")
    said = dict(re.findall(r"(\w+)=([^&]+)", GROOVE))
    no = finished(phone, phone.send("/groove/photo", (PHOTOS / "corner-1.jpg").read_bytes(), said))
    assert "Not measured" in words(no)
    assert "--" not in words(no)
    assert 'href="/groove"' in no.text


@pytest.mark.photos
def test_a_board_that_was_cut_is_held_against_its_plan_as_the_command_does(serve, rig_file):
    page = serve()
    shutil.copy(rig_file, page.settings.rigs / "own.json")
    phone = page.phone()
    phone.get("/groove")
    plan = load_plan(FIXTURES / "plans" / "trial-board.toml")
    (groove,) = plan.grooves
    said = {"at": f"{groove.at_mm}mm", "width": f"{groove.width_mm}mm", "board": f"{plan.board_mm}mm"}
    said |= {"zero_kerf": f"{plan.saw.zero_kerf.value}mm", "fence": plan.saw.fence, "flange": plan.saw.flange}
    said |= {"thickness": "19.1mm", "fence_edge": "bottom"}
    photo = (PHOTOS / "kerf-2.jpg").read_bytes()
    shown = finished(phone, phone.send("/groove/photo", photo, said))
    assert "As it was cut" in words(shown)
    # what the command reads of it, see the handbook's example
    assert re.search(r"groove, width (inside|OUTSIDE|can't tell yet): [\d.]+ mm ± [\d.]+ mm", words(shown))
    assert "Survey own.json" in words(shown)
    with Log.open(page.settings.log, readonly=True) as log:
        assert list(log.entries()) == []


# ---------------------------------------------------------------------- refine


@pytest.mark.photos
def test_a_survey_learns_from_the_log_where_there_is_something_to_learn(serve, rig_file):
    page = serve()
    shutil.copy(rig_file, page.settings.rigs / "own.json")
    phone = page.phone()
    assert "Refine" not in words(phone.get("/survey"))
    sled, rig = read_sled(page.settings.sleds / "alder-lane.toml"), read_rig(rig_file)
    outcome = measure_piece(MeasureRequest(PHOTOS / "panel-2.jpg", None, sled, rig, PieceOptions(piece="panel")))
    with Log.open(page.settings.log) as log:
        attach_outcome(log, outcome)
    shown = phone.get("/survey")
    assert "Refine" in words(shown)
    chosen = re.search(r'name="rig" value="(\w+)"', shown.text)[1]
    done = phone.post("/survey/refine", {"rig": chosen}).header("location")
    until(lambda: "data-job" not in phone.get(done).text, 180)
    said = words(phone.get(done))
    assert "Refined" in said
    assert len(list(page.settings.rigs.glob("*.json"))) == 2
    # photos that come are read with the new one, and it has nothing more to learn
    start = phone.get(f"/sled/{SLED_KEY}").text
    assert re.search(r'<option value="(\w+)" selected>', start)[1] != chosen
    assert phone.post("/survey/refine", {"rig": "gone"}).status == 400
