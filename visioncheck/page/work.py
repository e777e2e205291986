"""What is done in a process of its own: looking at hostile bytes, measuring, surveying, drawing."""

from __future__ import annotations

import contextlib
import shutil
import signal
import sqlite3
import warnings
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck import checks
from visioncheck.errors import Refusal, UserError
from visioncheck.page.jobs import SHOWN, photo_name
from visioncheck.present.naming import error_sentence

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from visioncheck.camera.view import View
    from visioncheck.log.adjusting import Moment
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log
    from visioncheck.measuring.detect import Detection
    from visioncheck.measuring.measure import Outcome
    from visioncheck.measuring.options import PieceOptions
    from visioncheck.page.jobs import Job
    from visioncheck.units import UnitWorld

_PICTURE_PX = 800
"""Long side of a picture for a phone; letters keep their size, so they stay readable."""
_LARGE_PX = 2000
"""Of the one to look at closely: about what the photo itself holds."""
_CHART_IN = 4.4
"""Width of a chart for a phone."""
_MOST_SURVEY_PHOTOS = 24
_ENDINGS = {"JPEG": ".jpg", "PNG": ".png", "HEIF": ".heic"}


@dataclass(frozen=True)
class Places:
    """Folders: of the log, of the rigs, and of the page's own files."""

    log: Path
    rigs: Path
    page: Path

    def picture(self, entry_id: str, *, counts: bool, large: bool = False) -> Path:
        """Where the annotated picture of a log entry is kept once it is drawn: with its move while it counts."""
        return self.page / "pictures" / f"{entry_id}{'' if counts else '-before'}{'-large' if large else ''}.jpg"


def warm_up() -> None:
    """Load what measuring needs."""
    import visioncheck.measuring.measure
    import visioncheck.measuring.pair
    import visioncheck.measuring.photo
    import visioncheck.present.picture  # noqa: F401 - for their loading alone


def picture_ending(path: str) -> str:
    """Tell a photo's kind by its content and bound its pixels, from its header alone.

    Returns
    -------
    str
        File ending: ``.jpg``, ``.png`` or ``.heic``.

    Raises
    ------
    UserError
        No photo of these kinds, too many or too few pixels, or a JPEG cut short.
    """
    from PIL import Image
    from pillow_heif import register_heif_opener

    from visioncheck.photo.load import jpeg_is_whole

    register_heif_opener()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # our own bound on the pixels says it in a sentence
            with Image.open(path, formats=list(_ENDINGS)) as image:
                kind, (width, height) = str(image.format), image.size
    except Image.DecompressionBombError:
        raise UserError(f"The picture has more than {checks.PHOTO_MOST_PIXELS // 10**6} megapixels.") from None
    except Exception:  # noqa: BLE001 - a damaged file can raise almost anything in a decoder
        raise UserError("This is not a JPEG, PNG or HEIC photo.") from None
    if width * height > checks.PHOTO_MOST_PIXELS:
        raise UserError(f"The picture has more than {checks.PHOTO_MOST_PIXELS // 10**6} megapixels.")
    if min(width, height) < checks.PHOTO_LEAST_SIDE_PX:
        raise UserError(f"The picture is only {width} x {height} pixels; send the photo in the phone's full size.")
    if kind == "JPEG" and not jpeg_is_whole(Path(path).read_bytes()):
        raise UserError("The photo is cut short or damaged.")
    return _ENDINGS[kind]


def do_job(places: Places, job: Job, folder: str) -> dict[str, Any]:
    """Do one job; the user's mistakes are answers too, anything else is raised.

    Parameters
    ----------
    places : Places
        The folders.
    job : Job
        What to do.
    folder : str
        The job's own, with its photo; what is written there is swept away afterwards.

    Returns
    -------
    dict
        ``state`` ``done`` with what to show, ``asks`` with a ``sentence``, or ``refused`` with ``sentence`` and
        ``code`` (a flag's, or None).
    """
    from visioncheck.log.adjusting import TakenBefore

    # Ctrl-C in the terminal is the server's to handle
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        if job.kind == "survey":
            return _survey(places, job)
        if job.kind == "survey photo":
            return _survey_photo(places, job, Path(folder))
        return _measure(places, job, Path(folder))
    except TakenBefore as doubt:
        return {"state": "asks", "about": "when", "sentence": doubt.question}
    except UserError as problem:
        if isinstance(problem.__cause__, OSError | sqlite3.Error):  # a full disk is no fault of the photo's
            return {"state": "broken", "sentence": str(problem), "remedy": "Then try again; the photo is kept."}
        return _refused(problem)


def _refused(problem: UserError) -> dict[str, Any]:
    code = problem.code if isinstance(problem, Refusal) else None
    return {"state": "refused", "sentence": error_sentence(problem, "page"), "code": code, "shown": ""}


def _measure(places: Places, job: Job, folder: Path) -> dict[str, Any]:
    """Measure a photo that came, one of the log anew, or both together as one piece turned in between."""
    from visioncheck.log.standing import find_standing
    from visioncheck.log.store import Log
    from visioncheck.measuring.detect import detect
    from visioncheck.measuring.keep import attach_outcome
    from visioncheck.measuring.measure import measure_piece
    from visioncheck.measuring.options import PieceOptions, options_from_json, read_piece_options
    from visioncheck.measuring.request import MeasureRequest, SledFile, read_rig
    from visioncheck.sled.file import parse_sled

    said = job.told
    text = said["sled_text"]
    # a job that waited from before an update says nothing of halves
    half = said.get("turned_half")
    what = (said["thickness"], said["piece"], said["fence_edge"], said["cuts"], said["units"], half)
    told = read_piece_options(*what, said.get("nominal"), said.get("cut_edge"))
    rig = None if said["rig"] is None else places.rigs / said["rig"]
    photo = None if job.photo is None else folder / job.photo
    sled = SledFile(parse_sled(text, "the sled file"), text)
    detection = second = None
    if said["again"] is not None:
        kept = _kept(places, said["again"], folder)
        told, rig = told.over(kept.told), kept.rig
        photo, second = kept.photo, photo
    else:
        assert photo is not None  # one of the two
        stands = _standing(places, photo, sled.sled.name)
        if stands is not None and "turned" in stands.reading and told == PieceOptions() and not said["adjusted"]:
            return {"state": "done", "entry": stands.id}  # read as one of a pair: alone it says less
        # what was told of the same photo before still holds
        told = told if stands is None else told.over(options_from_json(stands.reading))
        if said.get("by_phone"):
            detection = detect(photo)
            fitting = _fitting_rigs(places.rigs, detection)
            if len(fitting) > 1:
                return {"state": "asks", "about": "rig", "rigs": [path.name for path in fitting]}
            rig = fitting[0] if fitting else None
    rig_file = None if rig is None else read_rig(rig)
    outcome = measure_piece(MeasureRequest(photo, second, sled, rig_file, told), detection)
    if outcome.problem is not None:
        return _refused(outcome.problem) | _shown(outcome, folder)
    with Log.open(places.log) as log:
        entry = attach_outcome(log, outcome, note=said["note"], adjusted=said["adjusted"], now=_moment(log, said))
        counts = find_standing(entry, log.entries(sled=entry.sled)).counts
    _draw(places.picture(entry.id, counts=counts), outcome, counts=counts)
    return {"state": "done", "entry": entry.id}


def _standing(places: Places, photo: Path, sled: str) -> Entry | None:
    """Find the entry that holds this photo already, as one of this sled."""
    from visioncheck.log.photos import read_photo
    from visioncheck.log.store import Log

    with Log.open(places.log, readonly=True) as log:
        found = log.standing_entry(read_photo(photo).sha256)
    return found if found is not None and found.sled == sled else None


def _fitting_rigs(folder: Path, detection: Detection) -> list[Path]:
    """Rigs of this phone and this sheet, as a batch finds them; a file that is no rig is passed over."""
    from visioncheck.batch.choose import fitting_rigs
    from visioncheck.measuring.request import read_rig

    rigs = {}
    for path in sorted(folder.glob("*.json")):
        with contextlib.suppress(UserError):
            rigs[path.name] = read_rig(path)
    return [folder / name for name in fitting_rigs(rigs, detection)]


def _shown(outcome: Outcome, folder: Path) -> dict[str, Any]:
    """Draw where the trouble is; a file that is no photo has nothing to show."""
    from visioncheck.files import write_whole
    from visioncheck.photo.load import load_photo
    from visioncheck.present.refused_picture import render_refusal

    if not isinstance(outcome.problem, Refusal):
        return {}
    marks = outcome.problem.marks
    drawn = render_refusal(load_photo(outcome.request.photo), marks, "", kind="jpg", long_side_px=_PICTURE_PX)
    write_whole(folder / SHOWN, drawn)
    return {"shown": "marked" if marks.trouble else "found" if marks.found else "plain"}


def _moment(log: Log, said: dict[str, Any]) -> Moment:
    """What is known of when the sled was adjusted: jobs of before this was asked say nothing of it."""
    from visioncheck.errors import UserError
    from visioncheck.log.adjusting import Moment

    try:
        after = None if said.get("after") is None else log.get(said["after"])
    except UserError:
        after = None
    return Moment(after, is_sure=bool(said.get("sure")))


@dataclass(frozen=True)
class _Kept:
    """An entry's photo, rig and what was told, copied out of the log."""

    photo: Path
    rig: Path | None
    told: PieceOptions


def _kept(places: Places, entry_id: str, folder: Path) -> _Kept:
    from visioncheck.log.store import Log
    from visioncheck.measuring.options import options_from_json

    with Log.open(places.log, readonly=True) as log:
        entry = log.get(entry_id)
        text, source = log.document(entry.rig_sha256), log.photo_path(entry)
    if source is None:
        raise UserError("That reading has no photo: take one.")
    assert entry.photo_sha256 is not None  # as there is a photo
    photo = folder / photo_name(entry.photo_sha256, source.suffix)
    shutil.copyfile(source, photo)
    rig = None
    if text is not None:
        rig = folder / "rig.json"
        rig.write_bytes(text.encode())
    return _Kept(photo, rig, options_from_json(entry.reading))


def _draw(path: Path, outcome: Outcome, *, counts: bool) -> None:
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
        long_side_px=_PICTURE_PX,
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
    from visioncheck.correction.correct import correct
    from visioncheck.files import write_whole
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
    reading = reading_from_json(entry.reading)
    if path is None or reading is None:
        return False
    sled = None if text is None else parse_sled(text, "the sled file")
    correction = correct(entry.fence_error, sled) if entry.fence_error and sled and counts else None
    drawn = render_reading(
        load_photo(path),
        reading,
        correction,
        sled,
        kind="jpg",
        long_side_px=_LARGE_PX if large else _PICTURE_PX,
        captioned=False,
    )
    write_whole(places.picture(entry.id, counts=counts, large=large), drawn)
    return True


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


def write_table(log_folder: Path) -> bytes:
    """Write a log's entries as CSV, one a line, the oldest first."""
    import csv
    import io

    from visioncheck.log.store import Log

    table = io.StringIO()
    out = csv.writer(table)
    out.writerow(("time", "sled", "status", "fence_error_deg", "u_deg", "adjusted", "note", "id", "corrected_by"))
    with Log.open(log_folder, readonly=True) as log:
        for entry in log.entries():
            error = entry.fence_error
            value, u = ("", "") if error is None else (f"{error.value:.5f}", f"{error.u:.5f}")
            status = entry.reading.get("status", "")
            words = (_plain(entry.adjusted), _plain(entry.note), entry.id, entry.corrected_by or "")
            out.writerow((entry.time.isoformat(), _plain(entry.sled), status, value, u, *words))
    return table.getvalue().encode("utf-8-sig")


def _plain(text: str) -> str:
    """Keep a spreadsheet from taking what somebody wrote for a formula."""
    return f"'{text}" if text[:1] in {"=", "+", "-", "@", "\t", "\r"} else text


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


def _survey_photo(places: Places, job: Job, folder: Path) -> dict[str, Any]:
    from visioncheck.camera.plane_fit import plane_view
    from visioncheck.measuring.sheets import look_at_sheet
    from visioncheck.page.surveys import SurveyFolder, Taken
    from visioncheck.photo.load import load_photo

    assert job.photo is not None  # it came with one
    photo = load_photo(folder / job.photo)
    survey = SurveyFolder(places.page, job.session)
    before = survey.photos()
    if len(before) >= _MOST_SURVEY_PHOTOS:
        raise UserError(f"There are {len(before)} photos already, which is plenty: finish the survey.")
    if any(each.photo.sha256 == photo.sha256 for each in before):
        raise UserError("This photo is in the survey already; take another one.")
    sheet = look_at_sheet(photo, "this photo", [each.photo for each in before])
    fit = plane_view(sheet.points, *photo.size, photo.exif.focal_35mm, job.photo)
    survey.add(Taken(sheet, _rotation(fit.view, photo.size)))
    return {"state": "done"}


def _rotation(view: View, size: tuple[int, int]) -> NDArray[np.float64]:
    """Table to camera, (3, 3): the view's axis and the picture's own right, as the page shows them."""
    import numpy as np

    centre = np.array(size) / 2
    aim, right = view.to_table(np.stack([centre, centre + np.array([1.0, 0.0])]))
    forward = np.append(aim - view.foot_mm, view.height_mm)
    forward /= np.linalg.norm(forward)
    x = np.append(right - aim, 0.0)
    x -= (x @ forward) * forward
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(forward, x), forward])


def _survey(places: Places, job: Job) -> dict[str, Any]:
    from visioncheck.camera.rig import save_rig
    from visioncheck.files import write_whole
    from visioncheck.measuring.sheets import SheetPhotos, survey_sheets
    from visioncheck.page.surveys import SurveyFolder
    from visioncheck.present.print_errors import draw_print
    from visioncheck.present.survey_lines import MISFIT, survey_lines

    folder = SurveyFolder(places.page, job.session)
    taken = folder.photos()
    if not taken:
        raise UserError("There are no photos of the bare sheet yet: take some first.")
    surveyed = survey_sheets(SheetPhotos(tuple(each.photo for each in taken)), job.told["ruled_mm"])
    found, rig = surveyed.survey, surveyed.rig
    drawing = draw_print(found, rig.paper)
    name = f"rig-{datetime.now().astimezone():%Y-%m-%d-%H%M%S}-{job.id[:4]}.json"
    write_whole(places.page / "pictures" / f"survey-{job.id}.png", drawing)
    save_rig(rig, places.rigs / name)
    folder.clear()
    lines = [[line.label, line.text] for line in survey_lines(found, rig, "page")]
    lines += [["Left out", f"photo {which + 1}: {MISFIT}"] for which in found.left_out]
    return {"state": "done", "rig": name, "lines": lines}
