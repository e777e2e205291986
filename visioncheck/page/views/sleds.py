"""A sled described, or its description mended, on the phone: the same file that the computer's command writes."""

from __future__ import annotations

import hashlib
import re
import tomllib
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import anyio.to_thread
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from visioncheck.errors import UserError
from visioncheck.files import write_whole
from visioncheck.page.desk import Desk, get_desk, get_units
from visioncheck.page.mistakes import Mistake
from visioncheck.page.stock import short_key
from visioncheck.page.uploads import with_point
from visioncheck.present.naming import as_sentence
from visioncheck.sled.write import Answers, default_answers, read_answers, sled_text

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from starlette.requests import Request

    from visioncheck.page.uploads import Form

_BACKUP = ".before"
_SAYS_MORE = (
    "This sled’s file says more than this form knows, and writing it anew would lose that. Edit it on the computer."
)


@dataclass(frozen=True, slots=True)
class Asked:
    """One thing to type or choose; as in `typed.Field`, with what it is for in the file.

    Attributes
    ----------
    name : str
        As `Answers` knows it.
    at : tuple of str
        Where it stands in the sled's file.
    """

    name: str
    at: tuple[str, ...]
    label: str
    hint: str = ""
    choices: Mapping[str, str] | None = None
    of: Literal["", "shims", "screw"] = ""


ASKED = (
    Asked("name", ("name",), "What you call the sled"),
    Asked("units", ("units",), "Speak first", choices={"in": "inches", "mm": "mm"}),
    Asked("tolerance", ("tolerance",), "Largest fence error that you can live with", "Such as 0.005in/ft or 0.3mm/m"),
    Asked(
        "fence_side",
        ("fence", "side"),
        "The fence stands",
        choices={"rear": "rear: between you and the work", "front": "front: beyond the work"},
    ),
    Asked(
        "pivot",
        ("fence", "pivot"),
        "The end that stays when you adjust, seen from where you stand",
        choices={"left": "left", "right": "right"},
    ),
    Asked("fence_length", ("fence", "length"), "Length of the fence", "Such as 30in or 720mm"),
    Asked(
        "adjuster_distance",
        ("fence", "adjuster_distance"),
        "From the end that stays to the place where you move the fence",
        "Such as 24in or 610mm",
    ),
    Asked(
        "mitre",
        ("fence", "mitre"),
        "Set off square on purpose by",
        "Empty for a square sled; such as 45deg or 22.5deg",
    ),
    Asked(
        "forward",
        ("fence", "forward"),
        "If so, its end that stands forward, away from you",
        choices={"left": "left", "right": "right"},
    ),
    Asked(
        "kind",
        ("adjuster", "kind"),
        "What moves it",
        choices={"shims": "shims: leaves against a stop", "screw": "a screw"},
    ),
    Asked(
        "leaves", ("adjuster", "leaves"), "Leaves that you own", "One a line, or with a semicolon between", of="shims"
    ),
    Asked("pitch", ("adjuster", "pitch"), "Travel of the screw in one turn", "M6: 1mm; 1/4-20: 1/20in", of="screw"),
    Asked(
        "clockwise",
        ("adjuster", "clockwise"),
        "A clockwise turn, seen from the screw’s head, moves the fence there",
        choices={"forward": "forward: away from you", "back": "back: towards you"},
        of="screw",
    ),
    Asked("kerf", ("blade", "kerf"), "Width of the blade’s cut, as measured", "Empty if not known"),
    Asked("tip_width", ("blade", "tip_width"), "Width over the teeth, as the blade is marked", "Empty if not known"),
    Asked(
        "piece_side",
        ("piece", "side"),
        "Side of the blade that you keep test pieces from",
        choices={"left": "left", "right": "right"},
    ),
)


def ask_new(request: Request) -> Response:
    """Ask for a new sled; what is a matter of the very sled is left open, since a usual number would look right."""
    usual = default_answers(get_units(request) or "mm")
    blank = dict.fromkeys(("name", "fence_side", "pivot", "fence_length", "adjuster_distance", "kind", "pitch"), "")
    blank |= dict.fromkeys(("clockwise", "kerf", "tip_width", "piece_side", "forward"), "")
    return _form(request, replace(usual, **blank), None)  # type: ignore[arg-type]


def ask_again(request: Request) -> Response:
    """Ask for what is to be mended of a sled; its name stays, since the log knows it by that."""
    file = get_desk(request).sled(request)
    answers = read_answers(file.text)
    if answers is None:
        return get_desk(request).say(request, 409, _SAYS_MORE, "")
    return _form(request, answers, file.text)


async def write_new(request: Request) -> Response:
    """Write a new sled's file."""
    desk = get_desk(request)
    async with desk.form(request) as form:
        answers = _answers(form, None)
    return await anyio.to_thread.run_sync(_write, request, answers, None, "")


async def write_again(request: Request) -> Response:
    """Write a sled's file anew; the one of before stays beside it."""
    desk = get_desk(request)
    file = desk.sled(request)
    async with desk.form(request) as form:
        answers, was = _answers(form, file.sled.name), form.fields.get("was", "")
    return await anyio.to_thread.run_sync(_write, request, answers, file.text, was)


def _answers(form: Form, name: str | None) -> Answers:
    fields = {each.name: form.fields.get(each.name, "") for each in ASKED}
    lengths = ("mitre", "tolerance", "fence_length", "adjuster_distance", "pitch", "kerf", "tip_width")
    fields |= {each: with_point(fields[each]) for each in lengths}
    leaves = tuple(with_point(leaf.strip()) for leaf in re.split(r"[;\n]|,\s+", fields.pop("leaves")) if leaf.strip())
    return Answers(**fields | ({"name": name} if name else {}), leaves=leaves)


def _write(request: Request, answers: Answers, before: str | None, was: str) -> Response:
    desk = get_desk(request)
    text = sled_text(answers)
    mistake = _mistake(text)
    if before is None and not mistake and short_key(answers.name) in desk.sleds().by_key:
        said = "What you call the sled: there is one of this name already; give this one its own."
        mistake = Mistake(said, "name")
    if before is not None and was != _mark(before):
        mistake = Mistake("The sled’s file was changed meanwhile; load this form again.")
    if before is not None and read_answers(before) is None:
        mistake = Mistake(as_sentence(_SAYS_MORE, "page"))
    if mistake:
        return _form(request, answers, before, mistake)
    path = _find_file(desk.settings.sleds, answers.name) or _new_file(desk.settings.sleds, answers.name)
    if path.exists():
        write_whole(path.with_name(path.name + _BACKUP), path.read_bytes())
    write_whole(path, text.encode())
    return RedirectResponse(f"/sled/{short_key(answers.name)}", 303)


def _mistake(text: str) -> Mistake | None:
    """Say what is wrong with a sled's text by the labels of the form."""
    from visioncheck.sled.file import SledTable, parse_sled
    from visioncheck.tables import Slip, fill, format_key

    data: dict[str, Any] = tomllib.loads(text)
    try:
        fill(SledTable, data, "a sled", data["units"] if data["units"] in {"in", "mm"} else None)
    except Slip as slip:
        at = tuple(str(part) for part in slip.path if isinstance(part, str))
        asked = next((each for each in ASKED if each.at == at), None)
        label = format_key(slip.path) if asked is None else asked.label
        return Mistake(as_sentence(f"{label}: {slip.sentence}", "page"), "" if asked is None else asked.name)
    try:
        parse_sled(text, "The sled")  # what only several answers together can be wrong in
    except UserError as error:
        return Mistake(as_sentence(str(error), "page"))
    return None


def _find_file(folder: Path, name: str) -> Path | None:
    """The file of a sled in the folder; None: it is known from the log alone."""
    from visioncheck.measuring.request import read_sled

    for path in sorted(folder.glob("*.toml")):
        try:
            if read_sled(path).sled.name == name:
                return path
        except UserError:
            continue
    return None


def _new_file(folder: Path, name: str) -> Path:
    """A free file name of plain letters: nothing else of what was typed becomes part of a path."""
    stem = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40] or "sled"
    path = folder / f"{stem}.toml"
    return path if not path.exists() else folder / f"{stem}-{short_key(name)}.toml"


def _mark(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _form(request: Request, answers: Answers, text: str | None, mistake: Mistake | None = None) -> Response:
    desk: Desk = get_desk(request)
    if text is not None and "key" not in request.path_params:
        raise HTTPException(404)
    filled = asdict(answers) | {"leaves": "\n".join(answers.leaves)}
    return desk.render(
        request,
        "sled.html.j2",
        400 if mistake else 200,
        key=request.path_params.get("key"),
        name=answers.name if text is not None else "",
        was="" if text is None else _mark(text),
        asked=ASKED,
        filled=filled,
        mistake=mistake,
        has_file=text is not None and _find_file(desk.settings.sleds, answers.name) is not None,
    )
