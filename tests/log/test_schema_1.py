"""A log that was written when questions, notes and refusals were sentences opens, and says the same."""

import json
import shutil
from hashlib import sha256
from pathlib import Path

import pytest

from visioncheck.batch.batch import settle
from visioncheck.batch.jobs import BatchPhoto, Known
from visioncheck.cli import main
from visioncheck.log.store import Log
from visioncheck.measuring.options import options_from_json
from visioncheck.page.answers import answer_from_entry

FIXTURES = Path(__file__).parents[2] / "fixtures"
PHOTOS = FIXTURES / "photos" / "light-a4"
CORNER, STRIP, GAP, SLOT, PANEL = "4babd105", "8154601e", "8da575c9", "cbb59786", "3b8c7711"
TYPED, UNSIGNED, WITHDRAWN = "ce646ac9", "79567ff1", "35adde71"


@pytest.fixture
def old(tmp_path):
    folder = tmp_path / "log"
    folder.mkdir()
    shutil.copy(FIXTURES / "log-schema-1" / "log.sqlite", folder)
    for name in ("corner-1", "panel-2", "strip-1", "gap-1", "kerf-2"):
        content = (PHOTOS / f"{name}.jpg").read_bytes()
        digest = sha256(content).hexdigest()
        place = folder / "photos" / digest[:2] / f"{digest}.jpg"
        place.parent.mkdir(parents=True)
        place.write_bytes(content)
    return folder


def shown(capsys, *args):
    capsys.readouterr()
    assert main([*args]) == 0
    return " ".join(capsys.readouterr().out.split())


def test_it_is_listed_charted_checked_and_reported(old, tmp_path, capsys):
    listed = shown(capsys, "log", "list", str(old))
    assert all(each in listed for each in (CORNER, STRIP, GAP, SLOT, PANEL, TYPED, UNSIGNED, WITHDRAWN))
    assert "+0.088° ± 0.018°" in listed
    assert "One reading since the adjustment on 3 May 2026: +0.088° ± 0.018°" in shown(capsys, "log", "trend", str(old))
    shown(capsys, "log", "check", str(old))
    shown(capsys, "report", str(old), "-o", str(tmp_path / "report.html"))
    page = (tmp_path / "report.html").read_text()
    for said in (
        "withdrawn: read off the wrong edge",
        "Which end of the strip was at the fence",
        "Which half was turned",
    ):
        assert said in page


@pytest.mark.parametrize(
    ("entry", "kind", "said"),
    [
        (CORNER, "corner", "Is this a panel cut all round (say --piece panel) or an offcut with one fresh cut"),
        (STRIP, "strip", "Which end of the strip was at the fence? Say --fence-edge left or right."),
        (GAP, "gap", "Which half was turned over, and where is the gap open?"),
        (SLOT, "slot", "measured"),
        (PANEL, "panel", "measured"),
        (TYPED, "typed", "measured"),
        (UNSIGNED, "typed", "say which end of the strip is the wider with --wide rear or --wide front"),
        (WITHDRAWN, "withdrawn", "withdrawn: read off the wrong edge"),
    ],
)
def test_each_entry_says_what_it_said(old, entry, kind, said, capsys):
    assert said in shown(capsys, "log", "show", str(old), entry)
    reading = json.loads(shown(capsys, "log", "show", str(old), entry, "--json"))["reading"]
    assert (reading["schema"], reading["kind"]) == (2, kind)


def test_the_page_asks_what_it_asked(old):
    with Log.open(old, readonly=True) as log:
        views = {entry: answer_from_entry(log, log.get(entry), None) for entry in (CORNER, STRIP, TYPED)}
    assert set(views[CORNER].question.kinds) == {"panel", "corner"}
    assert views[STRIP].question.ways == ("left", "right")
    assert any(line.label == "Counted" and "carries the error 4 times" in line.text for line in views[TYPED].lines)


def test_a_batch_takes_its_photos_as_done(old):
    with Log.open(old) as log:
        told = options_from_json(log.get(SLOT).reading)
        assert told.piece == "slot"
        job = BatchPhoto(PHOTOS / "kerf-2.jpg", "kerf-2.jpg", told, sled="Alder Lane")
        left, settled = settle(log, [job], Known({}, {}, {}))
    assert (left, [result.state for result in settled]) == ([], ["as before"])
