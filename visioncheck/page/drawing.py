"""What is drawn and written for a phone, in a process of its own: pictures, charts, sheets, the report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from visioncheck.errors import UserError
from visioncheck.page.places import copy_kept

if TYPE_CHECKING:
    from visioncheck.kerf.plan import Plan
    from visioncheck.measuring.measure import Outcome
    from visioncheck.page.places import Places
    from visioncheck.units import UnitWorld

PICTURE_PX = 800
"""Long side of a picture for a phone; letters keep their size, so they stay readable."""
_LARGE_PX = 2000
"""Of the one to look at closely: about what the photo itself holds."""
_CHART_IN = 4.4
"""Width of a chart for a phone."""


def draw_outcome(path: Path, outcome: Outcome, *, counts: bool) -> None:
    """Draw what was just measured, with its move while it counts."""
    from visioncheck.files import write_whole
    from visioncheck.present.picture import render_reading

    assert outcome.measured is not None  # it was attached
    measured, sled = outcome.measured, outcome.request.sled
    drawn = render_reading(
        measured.photo,
        measured.reading,
        outcome.correction if counts else None,
        sled,
        kind="jpg",
        long_side_px=PICTURE_PX,
        captioned=False,
    )
    write_whole(path, drawn)


def draw_entry(places: Places, entry_id: str, large: bool = False) -> bool:
    """Draw the annotated picture of an entry that came to the log by another door, or one to look at closely.

    Returns
    -------
    bool
        False where the entry has no photo, or says too little to draw on it.
    """
    from visioncheck.files import write_whole
    from visioncheck.log.now import decision_on
    from visioncheck.log.standing import find_standing
    from visioncheck.log.store import Log
    from visioncheck.photo.load import load_photo
    from visioncheck.present.picture import render_reading
    from visioncheck.results.from_json import reading_from_json
    from visioncheck.sled.file import parse_sled

    with Log.open(places.log, readonly=True) as log:
        entry = log.get(entry_id)
        path, text = log.photo_path(entry), log.document(entry.sled_sha256)
        counts = find_standing(entry, log.entries(sled=entry.sled)).counts
        correction = decision_on(log, entry) if counts else None
    reading = reading_from_json(entry.reading)
    if path is None or reading is None:
        return False
    sled = None if text is None else parse_sled(text, "the sled file")
    drawn = render_reading(
        load_photo(path),
        reading,
        correction,
        sled,
        kind="jpg",
        long_side_px=_LARGE_PX if large else PICTURE_PX,
        captioned=False,
    )
    write_whole(places.picture(entry.id, counts=counts, large=large), drawn)
    return True


def draw_closely(places: Places, entry_id: str) -> bool:
    """Draw an entry's picture large and its edges close up, from its photo read again: the log keeps no stations.

    Returns
    -------
    bool
        False where the photo is gone or is not read any more; then `draw_entry` draws what the log knows.
    """
    from tempfile import TemporaryDirectory

    from visioncheck.files import write_whole
    from visioncheck.log.now import decision_on
    from visioncheck.log.standing import find_standing
    from visioncheck.log.store import Log
    from visioncheck.measuring.measure import measure_piece
    from visioncheck.measuring.request import MeasureRequest, SledFile, read_rig
    from visioncheck.present.close_up import edges_to_show, render_edge
    from visioncheck.present.picture import render_reading
    from visioncheck.sled.file import parse_sled

    with Log.open(places.log, readonly=True) as log:
        entry = log.get(entry_id)
        text = log.document(entry.sled_sha256)
        counts = find_standing(entry, log.entries(sled=entry.sled)).counts
        correction = decision_on(log, entry) if counts else None
    if places.picture(entry.id, counts=counts, large=True).exists():
        return True
    sled = None if text is None else SledFile(parse_sled(text, "the sled file"), text)
    with TemporaryDirectory() as folder:
        try:
            kept = copy_kept(places, entry_id, Path(folder))
            rig = None if kept.rig is None else read_rig(kept.rig)
            outcome = measure_piece(MeasureRequest(kept.photo, None, sled, rig, kept.told))
        except UserError:
            return False
        if outcome.measured is None:
            return False
    photo, reading = outcome.measured.photo, outcome.measured.reading
    owner = sled.sled if sled else None
    for edge, role in edges_to_show(reading):
        write_whole(places.close_up(entry.id, edge), render_edge(photo, reading, edge, role))
    drawn = render_reading(photo, reading, correction, owner, kind="jpg", long_side_px=_LARGE_PX, captioned=False)
    write_whole(places.picture(entry.id, counts=counts, large=True), drawn)
    return True


def draw_grooves(plan: Plan) -> bytes:
    """Draw a plan's passes, PNG."""
    from visioncheck.kerf.passes import lay_out
    from visioncheck.present.groove_drawing import draw_layout

    return draw_layout(lay_out(plan))[1]


def draw_target(name: str) -> bytes | None:
    """Draw the sheet or the tags of this file name, PDF; None: there is none of this name."""
    from visioncheck.printed.draw import draw_sheets, draw_tags
    from visioncheck.printed.layout import PAPERS, target_layout

    for paper in PAPERS:
        if name == f"tags-{paper}.pdf":
            return draw_tags(PAPERS[paper])
        for field in ("light", "dark"):
            if name == f"{paper}-{field}.pdf":
                return draw_sheets(target_layout(paper), "dark" if field == "dark" else "light", 1)
    return None


def write_report(log_folder: Path) -> bytes:
    """Write the report on all sleds of a log, HTML."""
    from visioncheck.log.store import Log
    from visioncheck.present.report_page import report_page

    with Log.open(log_folder, readonly=True) as log:
        return report_page(log).encode()


def write_result(places: Places, entry_id: str, units: UnitWorld | None) -> bytes:
    """Write one reading as a page that holds all it needs, HTML: to send on, to keep, to print."""
    from visioncheck.log.store import Log
    from visioncheck.page.answers import answer_from_entry
    from visioncheck.present.pages import data_uri, render_page

    with Log.open(places.log, readonly=True) as log:
        view = answer_from_entry(log, log.get(entry_id), units)
    path = places.picture(entry_id, counts=view.counts)
    drawn = view.picture is not None and (path.exists() or draw_entry(places, entry_id))
    picture = data_uri(path.read_bytes(), "image/jpeg") if drawn else ""
    return render_page("result.html.j2", view=view, picture=picture).encode()


def write_table(log_folder: Path) -> bytes:
    """Write a log's entries as CSV, one a line, the oldest first."""
    import csv
    import io

    from visioncheck.files import as_cell
    from visioncheck.log.store import Log

    table = io.StringIO()
    out = csv.writer(table)
    out.writerow(("time", "sled", "status", "fence_error_deg", "u_deg", "adjusted", "note", "id", "corrected_by"))
    with Log.open(log_folder, readonly=True) as log:
        for entry in log.entries():
            error = entry.fence_error
            value, u = ("", "") if error is None else (f"{error.value:.5f}", f"{error.u:.5f}")
            status = entry.reading.get("status", "")
            words = (as_cell(entry.adjusted), as_cell(entry.note), entry.id, entry.corrected_by or "")
            out.writerow((entry.time.isoformat(), as_cell(entry.sled), status, value, u, *words))
    return table.getvalue().encode("utf-8-sig")


def draw_log_chart(log_folder: Path, name: str, units: UnitWorld | None) -> bytes:
    """Chart one sled's readings, PNG."""
    from visioncheck.log.store import Log
    from visioncheck.log.trend import trend_points
    from visioncheck.measuring.request import sled_in_log
    from visioncheck.present.trend_chart import chart_png, draw_chart

    with Log.open(log_folder, readonly=True) as log:
        points = trend_points(log.entries(sled=name))
        file = sled_in_log(log, name)
    tolerance = file.sled.tolerance_deg if file else None
    world = units or (file.sled.units if file else "mm")
    return chart_png(draw_chart(points, name, tolerance, world, width_in=_CHART_IN, captioned=False))
