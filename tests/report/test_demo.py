"""The demo as a newcomer runs it, and its report in a real browser."""

from __future__ import annotations

import json
import re

import pypdfium2
import pytest

from tests.conftest import PHOTOS
from tests.report.browser import console_lines, run_browser, widths
from visioncheck.cli import main
from visioncheck.log.check import check
from visioncheck.log.store import Log
from visioncheck.log.trend import assess, segments, trend_points

pytestmark = pytest.mark.photos


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "demo"
    assert main(["demo", str(folder)]) == 0
    return folder


def entries(demo, sled):
    with Log.open(demo / "log", readonly=True) as log:
        return list(log.entries(sled=sled))


def test_three_sleds_are_in_a_whole_log(demo):
    with Log.open(demo / "log", readonly=True) as log:
        assert list(check(log)) == []
        assert log.sleds() == ["Alder Lane", "Harbour Shed", "Quince Yard"]
        kept = list(log.entries())
    months = {entry.time.strftime("%Y-%m") for entry in kept}
    assert len(months) >= 5
    # nothing invented passes for measured
    assert {(entry.kind, entry.note) for entry in kept} == {
        ("photo", "computed photo"), ("typed", "simulated calliper readings"),
    }  # fmt: skip
    assert sorted(path.name for path in demo.iterdir()) == ["log", "report.html", "rig.json"]


def test_a_drift_its_correction_and_what_came_of_it(demo):
    points = trend_points(entries(demo, "Alder Lane"))
    before, after = segments(points)
    assert assess(before).state == "drifted"
    assert after[0].adjusted == "1 turn of the adjusting screw anticlockwise"
    assert assess(points).state == "steady"
    assert assess(trend_points(entries(demo, "Harbour Shed"))).state == "drifted"


def test_photos_are_measured_for_real(demo):
    """Against the truth of the pictures, as cut."""
    kept = {entry.file_name: entry for sled in ("Alder Lane", "Harbour Shed", "Quince Yard")
            for entry in entries(demo, sled) if entry.kind == "photo"}  # fmt: skip
    assert sorted(kept) == ["corner-1.jpg", "corner-2.jpg", "panel-2.jpg", "strip-1.jpg"]
    for name in ("corner-1", "corner-2"):
        truth = json.loads((PHOTOS / f"{name}.truth.json").read_text())["truth"]["pieces"][0]
        error = kept[f"{name}.jpg"].fence_error
        assert abs(error.value - (truth["as_cut_angles_deg"][0] - 90)) < error.expanded()


def test_the_report_shows_the_worst_first(demo):
    html = (demo / "report.html").read_text("utf-8")
    verdicts = re.findall(r"<h2[^>]*>([^<]*)</h2>\s*<div class=\"card verdict (\w+)\">", html)
    assert verdicts == [("Harbour Shed", "outside"), ("Quince Yard", "open"), ("Alder Lane", "inside")]
    assert html.count("data:image/jpeg;base64,") == 4
    assert len(html) < 2e6


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("full",), "full is not empty"),
        (("full/file",), "Cannot write"),
        ((".",), "is no new folder"),
        (("new", "--fixtures", "nowhere"), "not in nowhere"),
        (("new", "--fixtures", "part"), "corner-2.jpg"),
    ],
)
def test_errors_leave_nothing(tmp_path, capsys, monkeypatch, args, says):
    """`part` has the survey's photos and the sleds, but no photo of a piece: it breaks off in the middle."""
    work = tmp_path / "work"
    (work / "full").mkdir(parents=True)
    (work / "full" / "file").write_text("mine")
    (work / "part" / "photos").mkdir(parents=True)
    (work / "part" / "sleds").symlink_to(PHOTOS.parents[1] / "sleds")
    light = work / "part" / "photos" / "light-a4"
    light.mkdir()
    for path in PHOTOS.glob("survey-*.jpg"):
        (light / path.name).symlink_to(path)
    empty = tmp_path / "empty"
    empty.mkdir()
    monkeypatch.chdir(empty if args == (".",) else work)
    before = sorted(tmp_path.rglob("*"))
    assert main(["demo", *args]) == 2
    captured = capsys.readouterr()
    assert says in captured.err
    assert captured.err.count("\n") == 1
    assert sorted(tmp_path.rglob("*")) == before


# ------------------------------------------------------------------ in the browser


def test_the_browser_tells_a_faulty_page(tmp_path):
    """What the tests below rely on: a page that is too wide, and one with something blocked, are noticed."""
    wide = "<!DOCTYPE html><div style='width: 700px'>wide</div>"
    width, _, said = widths(tmp_path, wide, 390)
    assert width >= 700
    assert said == []
    policy = "<meta http-equiv='Content-Security-Policy' content=\"default-src 'none'\">"
    assert widths(tmp_path, f"<!DOCTYPE html>{policy}<script>1</script>", 390)[2] != []


@pytest.mark.parametrize("width", [320, 390, 1280])
@pytest.mark.parametrize("dark", [False, True])
def test_no_page_is_wider_than_its_window(demo, tmp_path, width, dark):
    """320 px is what WCAG 2.2, 1.4.10 (reflow) asks for."""
    scheme = ["--blink-settings=preferredColorScheme=0"] if dark else []
    scroll_width, height, said = widths(tmp_path, (demo / "report.html").read_text("utf-8"), width, *scheme)
    assert scroll_width == width
    assert height > 2000
    assert said == []


@pytest.mark.parametrize(("paper", "size_pt"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_it_prints_a_page_or_two_a_sled(demo, tmp_path, paper, size_pt):
    page = tmp_path / "page.html"
    html = (demo / "report.html").read_text("utf-8")
    page.write_text(html.replace("</style>", f"@page {{ size: {paper}; }}</style>", 1), "utf-8")
    run = run_browser(tmp_path, "--enable-logging=stderr", f"--print-to-pdf={tmp_path / 'page.pdf'}", page.as_uri())
    assert console_lines(run) == []
    document = pypdfium2.PdfDocument(tmp_path / "page.pdf")
    try:
        assert document.get_page_size(0) == pytest.approx(size_pt, abs=1.0)
        texts = [document[k].get_textpage().get_text_bounded() for k in range(len(document))]
    finally:
        document.close()
    assert 7 <= len(texts) <= 10
    # each sled begins on a page of its own, and the pages are numbered
    lines = [[line for line in text.split("\r\n") if " / " not in line] for text in texts]
    starts = [page_lines[0] for page_lines in lines]
    assert starts[0] == "Are the sleds square?"
    assert [start for start in starts if start in {"Harbour Shed", "Quince Yard", "Alder Lane"}] == [
        "Harbour Shed", "Quince Yard", "Alder Lane",
    ]  # fmt: skip
    assert f"2 / {len(texts)}" in texts[1]
