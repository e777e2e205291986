"""The survey's work, in a process of its own: a photo of the bare sheet, the survey, its refinement by the log."""

from __future__ import annotations

import contextlib
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck.errors import UserError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from visioncheck.camera.view import View
    from visioncheck.page.jobs import Job
    from visioncheck.page.places import Places

_MOST_SURVEY_PHOTOS = 24


def survey_photo(places: Places, job: Job, folder: Path) -> dict[str, Any]:
    """Take a photo of the bare sheet into the survey under way."""
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


def survey(places: Places, job: Job, _: Path) -> dict[str, Any]:
    """Work the survey out and keep its rig."""
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


def refine(places: Places, job: Job, _: Path) -> dict[str, Any]:
    """Let a rig learn its sheet from what the log keeps; the rig of before stays."""
    from visioncheck.camera.rig import save_rig
    from visioncheck.log.store import Log
    from visioncheck.measuring.refine_rig import refine_by_log
    from visioncheck.measuring.request import read_rig
    from visioncheck.present.refined_lines import refined_lines

    before = places.rigs / job.told["rig"]
    with Log.open(places.log, readonly=True) as log:
        found = refine_by_log(log, read_rig(before))
    name = f"rig-{datetime.now().astimezone():%Y-%m-%d-%H%M%S}-{job.id[:4]}.json"
    save_rig(found.rig, places.rigs / name)
    lines = [[line.label, line.text] for line in refined_lines(found, "the log")]
    return {"state": "done", "rig": name, "lines": lines}


def rigs_to_refine(places: Places) -> list[str]:
    """Name the rigs that the log could teach more of their sheet."""
    from visioncheck.log.store import Log
    from visioncheck.measuring.refine_rig import count_lessons
    from visioncheck.measuring.request import read_rig

    named = []
    with Log.open(places.log, readonly=True) as log:
        for path in sorted(places.rigs.glob("*.json")):
            with contextlib.suppress(UserError):
                if count_lessons(log, read_rig(path)):
                    named.append(path.name)
    return named
