"""Readings typed in from callipers, protractor or feeler gauge: the same arithmetic, into the same log."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import anyio.to_thread
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from visioncheck.api.lengths import lengths
from visioncheck.errors import InputError, UserError
from visioncheck.fence.typed import compute_typed
from visioncheck.log.entry import EntryDraft
from visioncheck.log.store import Log
from visioncheck.page.desk import Desk, get_desk
from visioncheck.page.mistakes import Mistake, mistake_from
from visioncheck.page.uploads import with_point
from visioncheck.results.as_json import typed_json

if TYPE_CHECKING:
    from starlette.requests import Request

    from visioncheck.measuring.request import SledFile
    from visioncheck.units import UnitWorld

_LONGEST_TEXT = 300
_EXAMPLES = re.compile(r"\{([^|}]*)\|([^}]*)\}")


@dataclass(frozen=True, slots=True)
class Field:
    """One thing to type or choose.

    Attributes
    ----------
    name : str
        As `compute_typed` knows it.
    label, hint : str
        What the user reads; a hint may give an example in each unit, ``{2.62mm|0.103in}``.
    choices : tuple of str
        What can be chosen; empty: typed.
    needed : bool
        Whether it may be left empty.
    usual : str
        What stands there at first.
    pad : {"length", "angle", "count"}
        What is typed: the phone shows the keys for it.
    """

    name: str
    label: str
    hint: str = ""
    choices: tuple[str, ...] = ()
    needed: bool = True
    usual: str = ""
    pad: Literal["length", "angle", "count"] = "length"


@dataclass(frozen=True, slots=True)
class Way:
    """One way to measure a test cut without a photo."""

    name: str
    title: str
    about: str
    fields: tuple[Field, ...]


_MOST_PIECES = 6
_CORNERS = "Only to see whether the line goes on: one for each piece, a semicolon between, 90.02; 90.05"
_U = Field("u", "Standard uncertainty of one reading", "Only if you know yours, such as {0.01mm|0.5thou}", needed=False)
_U_DEG = Field("u", "Standard uncertainty of one reading", "Only if you know yours, such as 0.02deg", needed=False)
# of two butted halves with a gap between them
_BUTTED = (
    Field("length", "Distance from there to its tip"),
    Field("turned", "The half turned over", choices=("left", "right")),
    Field("opens", "The gap is open at the", choices=("straightedge", "far")),
)
WAYS = (
    Way(
        "strip",
        "Strip, with callipers",
        "The strip that the last of several cuts took off: its width near both ends.",
        (
            Field("rear", "Width at the rear end", "The end nearest to you when you cut it"),
            Field("front", "Width at the front end"),
            Field("length", "Distance between the two places"),
            Field("cuts", "Successive cuts, the last one counted", usual="5", pad="count"),
            _U,
        ),
    ),
    Way(
        "corner",
        "Corner, with a protractor",
        "The corner between the edge that lay on the fence and the fresh cut.",
        (Field("angle", "Angle, degrees", "Such as 90.05", pad="angle"), _U_DEG),
    ),
    Way(
        "panel",
        "Panel, four corners",
        "A panel cut on all four sides; its corners in the order cut.",
        (
            *(
                Field(f"corner{k}", f"Corner {k}, degrees", "Such as 90.02" if k == 1 else "", pad="angle")
                for k in range(1, 5)
            ),
            _U_DEG,
        ),
    ),
    Way(
        "wedge",
        "Turned-over halves",
        "One cut; one half turned over, the fresh edges butted, both halves against one straightedge. The board’s edges"
        " must be parallel: half of any angle between them comes in on top.",
        (
            Field("wedge", "Width of the gap where it is open"),
            *_BUTTED,
            _U,
        ),
    ),
    Way(
        "frame",
        "Mitred frame, the gap left",
        "All joints but the last joined tight, all pieces cut against the same fence.",
        (
            Field("frame", "Sides of the frame", usual="4", pad="count"),
            Field("wedge", "Width of the gap where it is open"),
            Field("length", "Length of the joint"),
            Field("opens", "The gap is open at the", choices=("outside", "inside")),
            Field(
                "at_fence",
                "Edge of the pieces that was on the fence, as they lie in the frame",
                choices=("outer", "inner"),
            ),
            _U,
        ),
    ),
    Way(
        "two-cuts",
        "Fence or board? Two cuts of one board",
        "The corner of each cut; the second with the board turned over end for end, the same edge on the fence, or with"
        " its other edge on the fence.",
        (
            Field("angle", "Corner of the first cut, degrees", "Such as 90.05", pad="angle"),
            Field("again", "Corner of the second cut, degrees", pad="angle"),
            Field("recut", "The second cut was made", choices=("end for end", "second edge")),
            _U_DEG,
        ),
    ),
    Way(
        "travel",
        "Blade and travel, slots",
        "Slots that end in the board, the board lifted off when the blade stands: widths at the open and near the"
        " inner end, with a semicolon between.",
        (
            Field("lifted", "Its widths", "Such as {2.62; 2.58|0.103; 0.1015}"),
            Field("length", "Distance between the two places"),
            Field("other_end", "Of a slot from the board’s other end", needed=False),
            Field("pulled_back", "Of a slot pulled back", needed=False),
            Field("tip", "Width over the teeth", needed=False),
            _U,
        ),
    ),
    Way(
        "fence-bow",
        "Is the fence straight?",
        "Two boards, each planed until its edge fits the fence, put together with these edges.",
        (
            Field("edge_gap", "How far the edges stand apart"),
            Field("length", "Length of the edges"),
            Field("opens", "They stand apart in the", choices=("middle", "ends")),
            _U,
        ),
    ),
    Way(
        "bevel",
        "Blade upright, with a protractor",
        "The corner between the face that lay on the table and the cut. It tells nothing of the fence.",
        (
            Field("bevel", "Angle, degrees", "Such as 90.2", pad="angle"),
            Field("height", "Height of the cut", needed=False),
            _U_DEG,
        ),
    ),
    Way(
        "bevel-halves",
        "Blade upright, halves of a tall cut",
        "One half turned over so that its other face is at the straightedge, the fresh faces butted. The board’s faces"
        " must be parallel.",
        (
            Field("bevel_wedge", "Width of the gap where it is open"),
            *_BUTTED,
            _U,
        ),
    ),
    Way(
        "stop",
        "Repeat cuts at a stop",
        "Pieces cut at one setting: how far their lengths spread. The offcut must lie free of the"
        " stop. It tells nothing of the fence.",
        (
            *(Field(f"piece{k}", f"Length of piece {k}", needed=k <= 2) for k in range(1, _MOST_PIECES + 1)),
            Field("set", "What the stop was set to", needed=False),
            _U,
        ),
    ),
    Way(
        "two-stops",
        "Two stops, or one on an extension",
        "Pieces cut at a first and at a second stop: whether the second continues the first one’s zero and line. The"
        " offcut must lie free of the stop. It tells nothing of the fence.",
        (
            *(
                Field(f"{stop}{k}", f"{name} stop: length of piece {k}", needed=k <= 2)
                for stop, name in (("piece", "First"), ("second", "Second"))
                for k in range(1, _MOST_PIECES + 1)
            ),
            Field("set", "What the first stop was set to", "Both empty: set alike", needed=False),
            Field("second_set", "What the second stop was set to", needed=False),
            Field("angles", "First stop: corners of the sawn ends, degrees", _CORNERS, needed=False),
            Field("second_angles", "Second stop: corners of the sawn ends, degrees", _CORNERS, needed=False),
            _U,
        ),
    ),
)
_STOPS = ("stop", "two-stops")
_BY_NAME = {way.name: way for way in WAYS}


def choose_way(request: Request) -> Response:
    """Ask how the cut was measured."""
    desk = get_desk(request)
    sled = desk.sled(request)
    return desk.render(request, "typed_ways.html.j2", key=request.path_params["key"], name=sled.sled.name, ways=WAYS)


def ask(request: Request) -> Response:
    """Ask for the readings of one way."""
    desk = get_desk(request)
    return _render(desk, request, desk.sled(request), _way(request), {}, None)


async def take(request: Request) -> Response:
    """Reckon and keep what was typed; what cannot be is said above the form, with all that was typed still in it."""
    desk, way = get_desk(request), _way(request)
    sled = desk.sled(request)
    async with desk.form(request) as form:
        fields = form.fields
    try:
        entry_id = await anyio.to_thread.run_sync(_keep, desk, sled, way, fields)
    except UserError as problem:
        return _render(desk, request, sled, way, fields, _mistake(problem, way), 400)
    return RedirectResponse(f"/reading/{entry_id}", 303)


def _way(request: Request) -> Way:
    way = _BY_NAME.get(request.path_params["way"])
    if way is None:
        raise HTTPException(404)
    return way


def _render(
    desk: Desk,
    request: Request,
    sled: SledFile,
    way: Way,
    fields: dict[str, str],
    mistake: Mistake | None,
    status: int = 200,
) -> Response:
    return desk.render(
        request,
        "typed.html.j2",
        status,
        key=request.path_params["key"],
        name=sled.sled.name,
        sled_units=sled.sled.units,
        way=way,
        hints={field.name: _in_own_unit(field.hint, sled.sled.units) for field in way.fields},
        filled=fields,
        mistake=mistake,
        # a telephone's number keys have neither the signs of a fraction nor letters for a unit
        pads={"count": "numeric", "angle": "decimal", "length": "" if sled.sled.units == "in" else "decimal"},
    )


def _in_own_unit(hint: str, units: UnitWorld) -> str:
    """A hint with its examples in the sled's unit alone."""
    return _EXAMPLES.sub(r"\2" if units == "in" else r"\1", hint)


def _keep(desk: Desk, sled: SledFile, way: Way, fields: dict[str, str]) -> str:
    given = {field.name: with_point(fields[field.name]) for field in way.fields if fields.get(field.name)}
    empty = [field.name for field in way.fields if field.needed and field.name not in given]
    if empty:
        raise InputError(empty[0], f"<{empty[0]}> is empty; fill it in")
    if way.name == "panel":
        corners = [given.pop(f"corner{k}") for k in range(1, 5)]
        given["corners"] = ",".join(corners)
    reading = (
        _stops_reading(given, sled) if way.name in _STOPS else typed_json(compute_typed(given, sled.sled), sled.sled)
    )
    draft = EntryDraft(
        sled=sled.sled.name,
        reading=reading,
        kind="typed",
        sled_text=sled.text,
        note=fields.get("note", "")[:_LONGEST_TEXT],
        adjusted=fields.get("adjusted", "")[:_LONGEST_TEXT],
    )
    with Log.open(desk.settings.log) as log:
        return log.attach(draft).id


def _stops_reading(given: dict[str, str], sled: SledFile) -> dict[str, Any]:
    """Take repeat cuts' lengths at one stop or two, as the command does."""
    first, second = (
        [given[f"{stop}{k}"] for k in range(1, _MOST_PIECES + 1) if f"{stop}{k}" in given]
        for stop in ("piece", "second")
    )
    found = lengths(
        read=first,
        second_read=second or None,
        angles=_corners(given, "angles"),
        second_angles=_corners(given, "second_angles"),
        u=given.get("u"),
        set=given.get("set"),
        second_set=given.get("second_set"),
        sled=sled,
    )
    return found.to_dict()


def _corners(given: dict[str, str], name: str) -> list[str] | None:
    return [each.strip() for each in given[name].split(";")] if name in given else None


def _mistake(problem: UserError, way: Way) -> Mistake:
    """Name the parameters as this way's form labels their fields."""
    labels = {field.name: field.label for field in way.fields} | {
        "corners": "The corners",
        "read": "The lengths",
        "second_read": "The second stop’s lengths",
    }
    return mistake_from(problem, labels, {"corners": "corner1", "read": "piece1", "second_read": "second1"})
