"""The report: what it says, that a name stays a name, that it needs nothing beside it, and that it can be read."""

from __future__ import annotations

import itertools
import json
import re
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.report.hand_made import corner_piece, strip
from visioncheck.cli import main
from visioncheck.correction.correct import correct
from visioncheck.log.entry import EntryDraft
from visioncheck.log.rows import new_entry
from visioncheck.log.store import Log
from visioncheck.present.pages import stylesheet
from visioncheck.present.report_page import _budget, _facts, _todo, _verdict, report_page
from visioncheck.present.report_rows import row_from_entry
from visioncheck.quantity import Quantity
from visioncheck.results.as_json import reading_json
from visioncheck.results.from_json import reading_from_json
from visioncheck.sled.file import parse_sled

ALDER = (Path(__file__).parents[2] / "fixtures" / "sleds" / "alder-lane.toml").read_text()
TOLERANCE_DEG = parse_sled(ALDER, "").tolerance_deg
START = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
EVIL = "<script>alert(1)</script>"
VOID = {"meta", "img", "br", "link", "hr", "input"}


def draft(name, deg, days=0.0, u=0.002, **changes):
    reading = {"schema": 1, "status": "measured", "fence_error_deg": {"value": deg, "u": u, "dof": None}}
    fields = {
        "sled": name,
        "reading": reading,
        "kind": "typed",
        "time": START + timedelta(days=days),
        "sled_text": ALDER.replace("Alder Lane", name),
    }
    return EntryDraft(**{**fields, **changes})


def attach_photo(log, folder, name="Alder Lane", days=0.0, reading=None, **changes):
    """A grey photo with the lines of the hand-made piece."""
    path = folder / f"offcut-{days:g}.jpg"
    grey = np.full((300, 400, 3), 128, np.uint8)
    grey[:, :, 0] = int(days)  # so that each photo is another one
    Image.fromarray(grey).save(path, comment=f"{days:g}".encode())
    found = reading_json(corner_piece()) if reading is None else reading
    return log.attach(draft(name, 0, days, reading=found, kind="photo", file_name=path.name, **changes), path)


@pytest.fixture
def log(tmp_path):
    with Log.open(tmp_path / "log", create=True) as log:
        yield log


class Page(HTMLParser):
    """The page's elements with their attributes, and each one's text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.open: list[str] = []
        self.crossed: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.crossed.append(tag)

    def handle_data(self, data):
        self.texts.append(data)

    def all(self, tag):
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def text(self):
        return " ".join(" ".join(self.texts).split())


@pytest.fixture(scope="module")
def five_sleds(tmp_path_factory):
    """The report on sleds inside, outside, can't tell and not known, named against their order; one with a photo."""
    folder = tmp_path_factory.mktemp("five")
    with Log.open(folder / "log", create=True) as log:
        _fill(log)
        attach_photo(log, folder, "D outside", days=3)
        return report_page(log)


def _fill(log):
    log.attach(draft("A inside", 0.1 * TOLERANCE_DEG))
    log.attach(draft("B without a file", 0.05, sled_text=None))
    log.attach(draft("C cannot tell", 1.0 * TOLERANCE_DEG))
    log.attach(draft("D outside", 3 * TOLERANCE_DEG))
    log.attach(draft("E further outside", -8 * TOLERANCE_DEG))


def test_worst_come_first(five_sleds):
    text = Page(five_sleds).text
    names = ["E further outside", "D outside", "C cannot tell", "B without a file", "A inside"]
    overview = text[text.index("worst first") : text.index("Before you reach")]
    assert sorted(names, key=overview.index) == names
    rest = text[text.index("Before you reach") :]
    assert sorted(names, key=rest.index) == names


def test_verdict_move_and_trend_are_said(log):
    log.attach(draft("Alder Lane", 0.01, days=0))
    log.attach(draft("Alder Lane", 0.09, days=7, person="Ida", note="dry oak"))
    text = Page(report_page(log)).text
    # bumped, or an odd piece? nobody can say yet
    assert "Can’t tell yet" in text
    assert "cut and measure one more piece" in text
    assert "RIGHT end BACK" not in text
    assert "does not fit what came before: it is off by +0.080°" in text
    assert "8 March 2026" in text
    assert "by Ida" in text
    assert "dry oak" in text
    assert "Unplug the saw" in text


def test_two_readings_after_a_bump_order_the_move(log):
    log.attach(draft("Alder Lane", 0.01, days=0))
    log.attach(draft("Alder Lane", 0.09, days=7))
    log.attach(draft("Alder Lane", 0.09, days=8))
    text = Page(report_page(log)).text
    assert "Outside the tolerance" in text
    # 610 mm · tan 0.09° = 0.958 mm
    assert "RIGHT end BACK, towards the operator, by 0.958" in text
    assert "MOVED by itself or by a bump between 1 March 2026 and 8 March 2026: right end 1.40 mm/m forward" in text


def test_a_verdict_does_not_outlive_an_adjustment(log):
    """Adjusted, and only a refused photo since: the last reading says nothing of the fence as it stands."""
    log.attach(draft("Alder Lane", 0.09, days=0))
    refused = {"schema": 1, "status": "refused", "reason": "too blurred to read", "flags": ["blur"]}
    log.attach(draft("Alder Lane", 0, days=1, reading=refused, adjusted="1 turn anticlockwise"))
    page = report_page(log)
    text = Page(page).text
    assert "Not measured since it was adjusted" in text
    assert "Outside the tolerance" not in text
    assert "RIGHT end" not in text
    assert "too blurred to read" in text
    assert "Adjusted before this reading: 1 turn anticlockwise" in text


def test_a_corrected_entry_counts_no_longer(log):
    old = log.attach(draft("Alder Lane", 0.3))
    log.attach(draft("Alder Lane", 0.001, corrects=old.id))
    page = Page(report_page(log))
    assert "Inside the tolerance" in page.text
    assert len(page.all("del")) == 1
    assert f"Stands in for entry {old.id[:8]}" in page.text


def test_a_size_without_its_sign_is_told_with_what_is_asked(log, tmp_path):
    attach_photo(log, tmp_path, reading=reading_json(strip()))
    text = Page(report_page(log)).text
    assert "Which end of the strip was at the fence?" in text
    assert "either way" in text
    assert "No reading of this sled has a fence error yet" in text


def test_a_name_stays_a_name(log, tmp_path):
    """Nothing that a user may write comes out as markup: in the text, in attributes, in the chart."""
    evil = f'{EVIL}" onload="alert(2)</svg><img src=x onerror=alert(3)> -->'
    log.attach(draft(EVIL, 0.01, sled_text=None, note=evil, person=evil))
    for days in range(1, 7):
        log.attach(draft(EVIL, 0.01, days, sled_text=None, adjusted=evil if days == 1 else ""))
    reading = reading_json(corner_piece()) | {"photo": evil, "reason": evil, "piece": evil}
    attach_photo(log, tmp_path, EVIL, days=8, reading=reading, sled_text=None, note=evil)
    html = report_page(log)
    page = Page(html)
    assert page.crossed == []
    assert page.open == []
    assert {name for name, _ in page.elements}.isdisjoint({"script", "iframe", "object", "embed", "form", "base"})
    attributes = {key for _, found in page.elements for key in found}
    assert [key for key in attributes if key.startswith("on")] == []
    assert all(image["src"].startswith("data:image/jpeg;base64,") for image in page.all("img"))
    assert EVIL in page.text
    assert "default-src 'none'" in html


def test_the_page_needs_nothing_beside_it(five_sleds):
    html = five_sleds
    page = Page(html)
    targets = [found.get(key) for _, found in page.elements for key in ("href", "src", "xlink:href", "data", "srcset")]
    assert {target.split(":")[0][:1] for target in targets if target} == {"#", "d"}
    ids = Counter(found["id"] for _, found in page.elements if "id" in found)
    assert max(ids.values()) == 1
    assert {target[1:] for target in targets if target and target.startswith("#")} <= set(ids)
    assert not re.search(r"@import|url\((?!#)", html)
    # references to parts of a drawing lead somewhere too
    assert set(re.findall(r"url\(#([^)]*)\)", html)) <= set(ids)
    assert page.all("script") == []


def test_structure_and_words_for_pictures(five_sleds):
    page = Page(five_sleds)
    assert page.all("html")[0]["lang"] == "en"
    assert len(page.all("h1")) == len(page.all("main")) == len(page.all("title")) == 1
    levels = [int(name[1]) for name, _ in page.elements if re.fullmatch("h[1-6]", name)]
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    (image,) = page.all("img")
    assert image["alt"].startswith("Photo of the test piece on its target, a corner")
    assert "corner 90.100 ± 0.004°" in image["alt"]
    pictures = [found for _, found in page.elements if found.get("role") == "img"]
    assert pictures
    assert all(found["aria-label"] for found in pictures)
    # a drawing either is such a picture, or stands in one, or is ornament beside its word
    depth = [found for found in page.all("svg") if "role" not in found and found.get("aria-hidden") != "true"]
    charts = [found for found in page.all("div") if found.get("role") == "img"]
    assert len(depth) == len(charts)
    assert all(found.get("scope") for found in page.all("th"))


def test_the_photo_is_drawn_where_it_was_read(log, tmp_path):
    """The piece's edges come back from the JSON where they were."""
    original = corner_piece()
    kept = reading_from_json(reading_json(original))
    for mine, theirs in zip(kept.edges, original.edges, strict=True):
        assert mine.start_px == pytest.approx(theirs.start_px)
        assert mine.end_px == pytest.approx(theirs.end_px)
        assert mine.length_mm == pytest.approx(theirs.length_mm)
    assert (kept.fence_edge, kept.cut_edge, kept.piece) == (0, 1, "corner")
    assert kept.fence_error == original.fence_error
    assert [corner.angle for corner in kept.corners] == [corner.angle for corner in original.corners]
    attach_photo(log, tmp_path)
    (image,) = Page(report_page(log)).all("img")
    # 380 x 299 px are left of the photo with a margin round the piece; drawn 800 px long
    assert (image["width"], image["height"]) == ("800", "629")


@pytest.mark.parametrize("damage", ["gone", "altered", "no picture"])
def test_a_lost_photo_is_said_and_spoils_nothing(log, tmp_path, damage):
    entry = attach_photo(log, tmp_path)
    path = log.photo_path(entry)
    if damage == "gone":
        path.unlink()
    elif damage == "altered":
        path.write_bytes(path.read_bytes() + b"\0")
    else:
        path.write_bytes(b"nothing")
    page = Page(report_page(log))
    assert page.all("img") == []
    assert "is missing from the log or damaged; run: visioncheck log check" in page.text
    assert "Outside the tolerance" in page.text


def test_a_photo_without_places_is_shown_plain(log, tmp_path):
    reading = {"schema": 1, "status": "measured", "fence_error_deg": {"value": 0.1, "u": 0.01, "dof": None}}
    attach_photo(log, tmp_path, reading=reading)
    (image,) = Page(report_page(log)).all("img")
    assert image["alt"].endswith("without marks")
    assert (image["width"], image["height"]) == ("800", "600")


def test_a_slot_is_listed_with_its_width(log, tmp_path):
    """A kerf measured for the blade's sake stands in the history and leaves the verdict alone."""
    log.attach(draft("Alder Lane", 0.0))
    width = {"at_mm": 50.0, "value": 2.85, "u": 0.01, "dof": None}
    slot = {"schema": 1, "status": "measured", "piece": "slot", "width_mm": [width], "flags": []}
    attach_photo(log, tmp_path, days=1, reading=slot)
    text = Page(report_page(log)).text
    assert "Inside the tolerance" in text
    assert "slot 2.85 ± 0.02 mm" in text


def strip_made_of(budget):
    """A strip with the budget of its taper, which is four times the fence error."""
    error, taper = Quantity(0.03, 0.00125, "deg"), Quantity(0.12, 0.005, "deg")
    return reading_json(replace(strip(), fence_error=error, taper=taper, fence_error_size=None, budget=budget))


def test_budget_of_a_strip_is_that_of_its_fence_error(log, tmp_path):
    # parts 3 : 4 make a taper's u of 5
    attach_photo(log, tmp_path, reading=strip_made_of({"edge": 0.003, "hollows": 0.004}))
    text = Page(report_page(log)).text
    assert "hollows 0.0010° (64 %)" in text
    assert "edge 0.0008° (36 %)" in text
    assert "together 0.0013°" in text or "together 0.0012°" in text


def test_a_source_that_only_older_readings_name_gets_no_advice(log, tmp_path):
    attach_photo(log, tmp_path, reading=strip_made_of({"shading": 0.004, "edge": 0.001}))
    text = Page(report_page(log)).text
    assert "shading" in text
    assert "cut a longer test piece" not in text


def test_a_long_log_makes_a_page_of_a_few_megabytes(log, tmp_path):
    generator = np.random.default_rng(1)
    with log.writing("nothing"):
        log.put_document(ALDER)
        for days in range(400):
            log.put_entry(new_entry(draft("Alder Lane", float(generator.normal(0, 0.003)), days - 200)))
    for days in range(400, 406):
        attach_photo(log, tmp_path, days=days % 256, reading=reading_json(corner_piece()))
    html = report_page(log)
    page = Page(html)
    assert len(page.all("img")) == 4
    assert "2 older photos in the log" in page.text
    assert "The newest 60 of 406 entries" in page.text
    assert "The newest 300 of 406 readings" in page.text
    assert len(html) < 4e6


@pytest.mark.parametrize("signed", [True, False])
def test_a_reading_from_elsewhere_is_no_trouble(log, signed):
    """The log keeps a reading's JSON as it was given; whatever it holds, the page comes out."""
    whole = reading_json(corner_piece())
    if not signed:
        del whole["fence_error_deg"]
    junk = [None, 3, "x", [], {}, [1], {"a": "b"}, {"value": "x"}]
    keys = ["flags", "budget_deg", "reason", "turned", "corners", "taper_deg", "fence_edge", "cut_edge"]
    keys += ["photo", "piece", "fence_error_size_deg", "width_mm", "correction"]
    sled = parse_sled(ALDER, "")
    for k, (key, value) in enumerate(itertools.product(keys, junk)):
        entry = log.attach(draft("Alder Lane", 0, k / 24, reading=whole | {key: value}))
        facts = replace(_facts(log, "Alder Lane", START), standing=(entry,))
        if not signed:
            facts = replace(facts, now=replace(facts.now, newest=None, states=(), correction=None))
        verdict = _verdict(facts)
        assert _todo(facts, verdict)
        _budget(entry)
        assert row_from_entry(entry, sled).source.startswith("typed readings")
        found = reading_from_json(entry.reading)
        assert found is None or len(found.corners) == 4
    assert "Alder Lane" in report_page(log)


# ------------------------------------------------------------------ colours


def luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    channels = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def tokens() -> dict[str, dict[str, str]]:
    light, dark = re.findall(r":root \{(.*?)\}", stylesheet(), re.DOTALL)
    found = {"light": dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", light))}
    return found | {"dark": found["light"] | dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", dark))}


TEXT = {"ink", "soft", "link", "inside", "open", "outside", "unknown", "adjusted", "faint"}
DRAWN = {"reading", "tolerance", "odd"}
GROUNDS = {"page", "card", "band"}
ORNAMENT = {"grid"}


def test_contrast_by_hand():
    # black on white 21:1, by the definition; #767676 on white is the well-known grey just above 4.5:1 (from memory)
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert 4.5 < contrast("#767676", "#ffffff") < 4.6


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_colours_can_be_read(scheme):
    """WCAG 2.2 AA: 4.5:1 for text (1.4.3), 3:1 for what drawings say (1.4.11), on every ground they may stand on."""
    colours = tokens()[scheme]
    assert set(colours) == TEXT | DRAWN | GROUNDS | ORNAMENT
    for ground in sorted(GROUNDS):
        for name in sorted(TEXT):
            assert contrast(colours[name], colours[ground]) >= 4.5, (name, ground)
        for name in sorted(DRAWN):
            assert contrast(colours[name], colours[ground]) >= 3.0, (name, ground)


def test_every_colour_is_a_token(log, tmp_path):
    """So that the test above sees them all; the chart's colours become tokens as well."""
    for days in range(6):
        log.attach(draft("Alder Lane", 0.01 if days < 5 else 0.2, days, adjusted="moved" if days == 2 else ""))
    attach_photo(log, tmp_path, days=9)
    html = report_page(log)
    css, body = html.split("</style>", 1)
    rules = re.sub(r":root \{.*?\}", "", css, flags=re.DOTALL)
    colour = r"(?<!&)#[0-9a-fA-F]{3,8}\b(?![\w-])|\b(?:rgb|hsl)a?\(|: *(?:white|black|red|gray|grey)\b"
    assert re.findall(colour, rules) == []
    styles = re.findall(r'(?:style|fill|stroke)="([^"]*)"', body)
    assert styles
    assert [style for style in styles if re.search(colour, style)] == []
    assert set(re.findall(r"var\(--([\w-]+)\)", css + " ".join(styles))) - {"tone"} <= set(tokens()["light"])


# ------------------------------------------------------------------ the command


def run(capsys, *args):
    code = main(["report", *args])
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    return code, captured.out, captured.err


def test_command_writes_one_file(log, tmp_path, capsys, monkeypatch):
    log.attach(draft("C cannot tell", 1.0 * TOLERANCE_DEG))
    log.attach(draft("D outside", 3 * TOLERANCE_DEG))
    monkeypatch.chdir(tmp_path)
    assert run(capsys, "log") == (0, "Wrote report.html.\n", "")
    assert Path("report.html").read_text("utf-8").startswith("<!DOCTYPE html>")
    assert run(capsys, "log", "-o", "out/one.html", "--sled", "D outside")[0] == 0
    one = Page(Path("out/one.html").read_text("utf-8")).text
    assert "Is D outside square?" in one
    assert "C cannot tell" not in one
    assert sorted(path.name for path in tmp_path.iterdir()) == ["log", "out", "report.html"]


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("nowhere",), "nowhere is not a calibration log"),
        (("log", "--sled", "Elm"), "has no sled 'Elm'; it has: A inside"),
        (("log", "-o", "report.txt"), "report.txt must end in .html"),
        (("log", "-o", "log/log.sqlite/report.html"), "Cannot write"),
    ],
)
def test_errors_are_one_sentence(log, tmp_path, capsys, monkeypatch, args, says):
    log.attach(draft("A inside", 0.1 * TOLERANCE_DEG))
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.rglob("*.*"))
    code, out, err = run(capsys, *args)
    assert (code, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1
    assert sorted(tmp_path.rglob("*.*")) == before


def test_an_empty_log_says_what_to_do(log, capsys):
    code, _, err = run(capsys, str(log.folder))
    assert code == 2
    assert "has no entry yet" in err


def test_only_the_newest_photo_shows_the_move(log, tmp_path):
    """An old photo's arrow would tell to move again what was moved since."""
    attach_photo(log, tmp_path, days=0)
    attach_photo(log, tmp_path, days=1)
    new, old = Page(report_page(log)).all("img")
    assert correct(corner_piece().fence_error, parse_sled(ALDER, "")).advice == "move it"
    assert "an arrow at its right end points back" in new["alt"]
    assert "arrow" not in old["alt"]
    refused = {"schema": 1, "status": "refused", "reason": "blurred", "flags": []}
    log.attach(draft("Alder Lane", 0, 2, reading=refused, adjusted="1 turn"))
    assert all("arrow" not in image["alt"] for image in Page(report_page(log)).all("img"))


def test_typed_readings_without_a_sign_are_told_as_a_size(log, capsys):
    assert main(["reckon", "--taper", "0.4deg", "--json"]) == 0
    log.attach(draft("Alder Lane", 0, reading=json.loads(capsys.readouterr().out)))
    text = Page(report_page(log)).text
    # the strip of five cuts carries the error four times
    assert "0.100°" in text
    assert "either way" in text
    assert "--wide rear or --wide front" in text
