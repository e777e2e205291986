"""The survey of phone and sheet: how many photos, which view is missing, and the rig at its end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, RedirectResponse, Response

from visioncheck.camera.support import photo_to_add, views_taken
from visioncheck.errors import UserError
from visioncheck.page.desk import camera_wanted, desk_of, session_of, units_of
from visioncheck.page.surveys import SurveyFolder
from visioncheck.page.uploads import RefusedForm
from visioncheck.printed.layout import layout_of
from visioncheck.units import format_length, parse_length

if TYPE_CHECKING:
    from starlette.requests import Request

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
    nominal : str
        What the ruled length would be on a true print; empty before the first photo.
    """

    count: int
    taken: dict[str, bool]
    missing: tuple[str, ...]
    next: str
    nominal: str


def progress_of(folder: SurveyFolder, units: str | None) -> Progress:
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
    nominal = ""
    if photos:
        ruled = layout_of(photos[0].photo.points.paper).ruled_mm
        nominal = format_length(ruled, "in" if units == "in" else "mm")
    return Progress(len(photos), taken, missing, following, nominal)


def show_survey(request: Request) -> Response:
    """Show the survey under way."""
    desk = desk_of(request)
    session = session_of(request)
    progress = progress_of(SurveyFolder(desk.settings.places.page, session), units_of(request))
    waiting = [job for job in desk.spool.unfinished() if job.session == session and job.kind.startswith("survey")]
    return desk.render(
        request,
        "survey.html.j2",
        progress=progress,
        waiting=waiting,
        fewest=FEWEST,
        enough=ENOUGH,
        camera=camera_wanted(request),
    )


async def send_survey_photo(request: Request) -> Response:
    """Take a photo of the bare sheet into the queue."""
    desk = desk_of(request)
    async with desk.form(request) as form:
        return await desk.accept(request, "survey photo", {}, form.photo)


def show_finish(request: Request) -> Response:
    """Ask for the ruled length."""
    desk = desk_of(request)
    progress = progress_of(SurveyFolder(desk.settings.places.page, session_of(request)), units_of(request))
    if progress.count < FEWEST:
        return RedirectResponse("/survey", 303)
    return desk.render(request, "finish.html.j2", progress=progress, enough=ENOUGH)


async def finish_survey(request: Request) -> Response:
    """Queue the survey itself."""
    desk = desk_of(request)
    async with desk.form(request) as form:
        text = form.fields.get("ruled", "")
    ruled_mm = None
    if text:
        try:
            ruled_mm = parse_length(text, units_of(request) or "mm")
        except UserError as problem:
            raise RefusedForm(400, f"Ruled length: {problem}.", "Go back and write what the rule reads.") from None
        if not ruled_mm > 0:
            raise RefusedForm(400, "The ruled length must be above zero.", "Go back and write what the rule reads.")
    return await desk.accept(request, "survey", {"ruled_mm": ruled_mm}, None, needs_photo=False)


async def start_over(request: Request) -> Response:
    """Forget the photos of the survey under way."""
    desk = desk_of(request)
    async with desk.form(request):
        SurveyFolder(desk.settings.places.page, session_of(request)).clear()
    return RedirectResponse("/survey", 303)


def show_print(request: Request) -> Response:
    """Send the drawing of the print's errors."""
    desk = desk_of(request)
    path = desk.settings.places.page / "pictures" / f"survey-{desk.job(request).id}.png"
    if not path.exists():
        raise HTTPException(404)
    return FileResponse(path, media_type="image/png")
