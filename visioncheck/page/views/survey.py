"""The survey of phone and sheet: how many photos, which view is missing, and the rig at its end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, RedirectResponse, Response

from visioncheck import checks
from visioncheck.camera.support import photo_to_add, views_taken
from visioncheck.errors import UserError
from visioncheck.page.desk import Desk, get_desk, get_session, get_units
from visioncheck.page.mistakes import Mistake
from visioncheck.page.stock import find_rigs
from visioncheck.page.surveying import rigs_to_refine
from visioncheck.page.surveys import SurveyFolder, Taken
from visioncheck.page.uploads import RefusedForm, with_point
from visioncheck.printed.layout import target_layout
from visioncheck.units import format_length, parse_length

if TYPE_CHECKING:
    from starlette.requests import Request

    from visioncheck.units import UnitWorld

FEWEST, ENOUGH = 4, 8
_NAMES = {
    "above": "from above",
    "left": "tilted, from the left side",
    "right": "tilted, from the right side",
    "top": "tilted, from the top side",
    "bottom": "tilted, from the bottom side",
    "turned": "one with the phone turned a quarter turn",
}


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a survey is.

    Attributes
    ----------
    count : int
        Photos so far.
    taken : dict
        For each view wanted, whether it is there.
    missing : tuple of str
        The names of those that are not.
    next : str
        The photo to take now.
    ruled_mm : float
        What the ruled length would be on a true print; 0 before the first photo.
    nominal : str
        The same in words.
    photos : tuple of tuple
        Of each photo what it is known by, and its view in words.
    """

    count: int
    taken: dict[str, bool]
    missing: tuple[str, ...]
    next: str
    ruled_mm: float
    nominal: str
    photos: tuple[tuple[str, str], ...]


def survey_progress(folder: SurveyFolder, units: str | None) -> Progress:
    """Look at the photos so far."""
    photos = folder.photos()
    rotations = np.stack([photo.rotation for photo in photos]) if photos else np.zeros((0, 3, 3))
    taken = views_taken(rotations)
    missing = tuple(_NAMES[view] for view, there in taken.items() if not there)
    if not photos:
        following = "Take the first photo from straight above"
    elif missing or len(photos) < ENOUGH:
        advice = photo_to_add(rotations)
        following = advice[0].upper() + advice[1:]
    else:
        following = "That is enough: type the ruled length and finish"
    ruled_mm = target_layout(photos[0].photo.points.paper).ruled_mm if photos else 0.0
    nominal = format_length(ruled_mm, "in" if units == "in" else "mm") if photos else ""
    said = tuple((photo.name, _format_tilt(photo)) for photo in photos)
    return Progress(len(photos), taken, missing, following, ruled_mm, nominal, said)


def _format_tilt(photo: Taken) -> str:
    """One photo's view in words; whether the phone was turned shows only beside another."""
    seen = [_NAMES[view] for view, there in views_taken(photo.rotation[None]).items() if there and view != "turned"]
    return " and ".join(seen) or "nearly from above"


def show_survey(request: Request) -> Response:
    """Show the survey under way."""
    desk = get_desk(request)
    session = get_session(request)
    progress = survey_progress(SurveyFolder(desk.settings.places.page, session), get_units(request))
    waiting = [job for job in desk.spool.unfinished() if job.session == session and job.kind.startswith("survey")]
    return desk.render(
        request,
        "survey.html.j2",
        progress=progress,
        waiting=waiting,
        fewest=FEWEST,
        enough=ENOUGH,
        refinable=_refinable(desk),
    )


def _refinable(desk: Desk) -> dict[str, str]:
    """The surveys that pieces of the log would make better, by key; what they are known by."""
    taught = set(rigs_to_refine(desk.settings.places))
    return {key: choice.label for key, choice in find_rigs(desk.settings.rigs).items() if choice.file in taught}


async def refine_rig(request: Request) -> Response:
    """Queue a survey's refinement by the log."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        chosen = find_rigs(desk.settings.rigs).get(form.fields.get("rig", ""))
        if chosen is None:
            raise RefusedForm(400, "That survey is not there any more.", "Go back and choose another.")
        return await desk.accept(request, "refine", {"rig": chosen.file}, form, needs_photo=False)


async def send_survey_photo(request: Request) -> Response:
    """Take a photo of the bare sheet into the queue."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        return await desk.accept(request, "survey photo", {}, form)


def show_finish(request: Request) -> Response:
    """Ask for the ruled length."""
    desk = get_desk(request)
    progress = survey_progress(SurveyFolder(desk.settings.places.page, get_session(request)), get_units(request))
    if progress.count < FEWEST:
        return RedirectResponse("/survey", 303)
    return _finish_form(request, progress)


def _finish_form(request: Request, progress: Progress, typed: str = "", mistake: Mistake | None = None) -> Response:
    return get_desk(request).render(
        request,
        "finish.html.j2",
        400 if mistake else 200,
        progress=progress,
        enough=ENOUGH,
        typed=typed,
        mistake=mistake,
    )


async def finish_survey(request: Request) -> Response:
    """Queue the survey itself."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        text = form.fields.get("ruled", "")
        progress = survey_progress(SurveyFolder(desk.settings.places.page, get_session(request)), get_units(request))
        try:
            ruled_mm = _ruled_mm(text, get_units(request) or "mm", progress) if text else None
        except UserError as problem:
            return _finish_form(request, progress, text, Mistake(f"{problem}. No photo is lost.", "ruled"))
        return await desk.accept(request, "survey", {"ruled_mm": ruled_mm}, form, needs_photo=False)


def _ruled_mm(text: str, units: UnitWorld, progress: Progress) -> float:
    """Read the ruled length; a rule that was misread is told before the survey fails by it."""
    ruled_mm = parse_length(with_point(text), units)
    nominal_mm = progress.ruled_mm
    if nominal_mm and abs(ruled_mm / nominal_mm - 1) > checks.SURVEY_WORST_SCALE:
        raise UserError(
            f"{text!r:.40} is more than {100 * checks.SURVEY_WORST_SCALE:.0f} % from {progress.nominal}; read the rule"
            " again, or print the sheet at 100 %, without fit-to-page"
        )
    return ruled_mm


async def remove_photo(request: Request) -> Response:
    """Forget one photo of the survey under way."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        SurveyFolder(desk.settings.places.page, get_session(request)).remove(form.fields.get("photo", ""))
    return RedirectResponse("/survey", 303)


async def start_over(request: Request) -> Response:
    """Forget the photos of the survey under way."""
    desk = get_desk(request)
    async with desk.form(request):
        SurveyFolder(desk.settings.places.page, get_session(request)).clear()
    return RedirectResponse("/survey", 303)


def show_print(request: Request) -> Response:
    """Send the drawing of the print's errors."""
    desk = get_desk(request)
    path = desk.settings.places.page / "pictures" / f"survey-{desk.job(request).id}.png"
    if not path.exists():
        raise HTTPException(404)
    return FileResponse(path, media_type="image/png")
