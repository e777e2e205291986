"""What is done in a process of its own: looking at hostile bytes, measuring, surveying, drawing."""

from __future__ import annotations

import contextlib
import signal
import sqlite3
import warnings
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck import checks
from visioncheck.errors import Refusal, UserError
from visioncheck.page.drawing import PICTURE_PX, draw_outcome
from visioncheck.page.jobs import SHOWN
from visioncheck.page.places import copy_kept
from visioncheck.page.surveying import refine, survey, survey_photo
from visioncheck.present.naming import error_sentence

if TYPE_CHECKING:
    from collections.abc import Callable

    from visioncheck.log.adjusting import Moment
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log
    from visioncheck.measuring.detect import Detection
    from visioncheck.measuring.measure import Outcome
    from visioncheck.page.framing import Purpose
    from visioncheck.page.jobs import Job
    from visioncheck.page.places import Places

_ENDINGS = {"JPEG": ".jpg", "PNG": ".png", "HEIF": ".heic"}


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


def judge_frame(path: str, purpose: Purpose, before: str) -> dict[str, Any]:
    """Judge a frame of the camera's view; see `framing.judge_file`."""
    from visioncheck.page.framing import judge_file

    return judge_file(path, purpose, before)


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
        return _DOES[job.kind](places, job, Path(folder))
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
    from visioncheck.measuring.options import TOLD, PieceOptions, options_from_json, read_piece_options
    from visioncheck.measuring.request import MeasureRequest, SledFile, read_rig
    from visioncheck.sled.file import parse_sled

    said = job.told
    text = said["sled_text"]
    # a job that waited from before an update does not say all
    told = read_piece_options(said["units"], **{name: said.get(name) for name in TOLD})
    rig = None if said["rig"] is None else places.rigs / said["rig"]
    photo = None if job.photo is None else folder / job.photo
    sled = SledFile(parse_sled(text, "the sled file"), text)
    detection = second = None
    if said["again"] is not None:
        kept = copy_kept(places, said["again"], folder)
        told, rig = told.over(kept.told), kept.rig
        # a pair that is read again stays a pair
        photo, second = kept.photo, photo or kept.second
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
    return _drawn(places, entry, outcome, counts=counts)


def _travel(places: Places, job: Job, folder: Path) -> dict[str, Any]:
    """Hold slots of the log against each other; the first one's reading then says of the blade what they tell."""
    from visioncheck.log.standing import find_standing
    from visioncheck.log.store import Log
    from visioncheck.measuring.keep import attach_outcome
    from visioncheck.measuring.measure import measure_piece
    from visioncheck.measuring.request import MeasureRequest, SledFile, read_rig
    from visioncheck.measuring.travel import travel_from_slots
    from visioncheck.results.travel import travel_json
    from visioncheck.sled.file import parse_sled

    said = job.told
    sled = SledFile(parse_sled(said["sled_text"], "the sled file"), said["sled_text"])

    def slot(role: str) -> Outcome | None:
        if said[role] is None:
            return None
        own = folder / role
        own.mkdir(exist_ok=True)
        kept = copy_kept(places, said[role], own)
        rig = None if kept.rig is None else read_rig(kept.rig)
        return measure_piece(MeasureRequest(kept.photo, None, sled, rig, kept.told))

    first = slot("again")
    assert first is not None  # it was asked from its own screen
    found = travel_from_slots(first, slot("other_end"), slot("pulled_back"))
    whole = replace(first, reading=first.reading | travel_json(found))
    with Log.open(places.log) as log:
        entry = attach_outcome(log, whole)
        counts = find_standing(entry, log.entries(sled=entry.sled)).counts
    return _drawn(places, entry, whole, counts=counts)


def _drawn(places: Places, entry: Entry, outcome: Outcome, *, counts: bool) -> dict[str, Any]:
    """Draw what was kept, and say which entry it is."""
    draw_outcome(places.picture(entry.id, counts=counts), outcome, counts=counts)
    return {"state": "done", "entry": entry.id}


def _board(places: Places, job: Job, folder: Path) -> dict[str, Any]:
    """Hold a cut board against its plan."""
    from visioncheck.kerf.read_plan import plan_from_data
    from visioncheck.kerf.verify import verify
    from visioncheck.measuring.detect import detect
    from visioncheck.measuring.groove import measure_grooves
    from visioncheck.measuring.options import read_piece_options
    from visioncheck.measuring.photo import see_board
    from visioncheck.measuring.request import read_rig
    from visioncheck.present.verified import verified_lines

    assert job.photo is not None  # it came with one
    said, photo = job.told, folder / job.photo
    plan = plan_from_data(said["plan"], "the groove", folder)
    told = read_piece_options(said["units"], thickness=said["thickness"], fence_edge=said["fence_edge"])
    fitting = _fitting_rigs(places.rigs, detect(photo))
    # of two surveys that fit alike the newer one: nothing of this goes into the log
    rig = read_rig(fitting[-1]).rig if fitting else None
    board = see_board(photo, rig, told.thickness, told.fence_edge)
    checked = verify(plan, measure_grooves(board, plan))
    lines = [[line.label, line.text] for line in verified_lines(plan, checked, plan.fence_edge)]
    return {"state": "done", "lines": [*lines, ["Survey", fitting[-1].name if fitting else "none"]]}


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
    drawn = render_refusal(load_photo(outcome.request.photo), marks, "", kind="jpg", long_side_px=PICTURE_PX)
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


_DOES: dict[str, Callable[[Places, Job, Path], dict[str, Any]]] = {
    "measure": _measure,
    "turn": _measure,
    "survey photo": survey_photo,
    "survey": survey,
    "groove": _board,
    "refine": refine,
    "travel": _travel,
}
"""What is done for each kind of job."""
