"""How square the sled must be for the work that it is for, from the phone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.responses import Response

from visioncheck.api.work import WorkTolerance, tolerance
from visioncheck.errors import InputError, UserError
from visioncheck.page.desk import Desk, get_desk, get_units
from visioncheck.page.mistakes import in_units, mistake_from
from visioncheck.work.asked import SIZES, WORK_KINDS, describe_work, sizes_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request

    from visioncheck.units import UnitWorld

_KINDS = {
    "joint": "A joint: sawn ends that meet",
    "panel": "A panel, cut to length",
    "box": "A box or carcase",
    "drawer": "A drawer",
    "frame": "A mitred frame",
}
_SIZE_LABELS = {
    "joint": {"width": "Width of the joint"},
    "panel": {"width": "Width along the cut", "length": "Length of the panel"},
    "box": {"depth": "Length of the sides whose sawn ends butt", "height": "Height of those sides"},
    "frame": {"width": "Width of the sticks"},
}
_FAULT_LABELS = {
    "gap": "Largest gap that you accept at a joint’s open end",
    "last_gap": "Largest gap of the last mitre, the others tight",
    "wind": "How far it may rock on a flat table",
    "diagonals": "How far the diagonals may differ",
}
_COUNT_LABELS = {"joint": {"ends": "Sawn ends that meet, 1 or 2"}, "frame": {"sides": "Sides of the frame"}}
_LONGEST_TEXT = 60


def choose_work(request: Request) -> Response:
    """Ask what the sled is for."""
    return get_desk(request).render(request, "works.html.j2", kinds=_KINDS)


def show_tolerance(request: Request) -> Response:
    """Ask for the sizes of a piece of work; where they are in the address, work it out."""
    desk, kind = get_desk(request), _kind(request)
    labels = _labels(kind)
    typed = {name: request.query_params.get(name, "").strip()[:_LONGEST_TEXT] for name in (*labels, "sled")}
    found, mistake = None, None
    if any(typed.values()):
        try:
            found = _work_out(desk, kind, typed, get_units(request) or "mm")
        except UserError as error:
            mistake = mistake_from(error, labels)
    return desk.render(
        request,
        "tolerance.html.j2",
        400 if mistake else 200,
        kind=kind,
        title=_KINDS[kind],
        filled=typed,
        needed={name: labels[name] for name in sizes_of(kind)},
        more={name: label for name, label in labels.items() if name not in SIZES},
        sleds={key: file.sled.name for key, file in desk.sleds().by_key.items()},
        mistake=mistake,
        lines=[] if found is None else found.lines(),
        drawing="" if found is None else f"/tolerance/{kind}.png?{urlencode(typed)}",
    )


def send_drawing(request: Request) -> Response:
    """Send the drawing of the work with the gap at the tolerance."""
    desk, kind = get_desk(request), _kind(request)
    typed = {name: request.query_params.get(name, "").strip()[:_LONGEST_TEXT] for name in (*_labels(kind), "sled")}
    try:
        drawn = _work_out(desk, kind, typed, get_units(request) or "mm").render()
    except UserError:
        raise HTTPException(404) from None
    return Response(drawn, media_type="image/png")


def _kind(request: Request) -> str:
    kind = str(request.path_params["kind"])
    if kind not in WORK_KINDS:
        raise HTTPException(404)
    return kind


def _labels(kind: str) -> dict[str, str]:
    """What there is to say of a kind of work: its sizes, counts and faults, each with its label."""
    alike = "box" if kind == "drawer" else kind
    codes = [effect.code for effect in describe_work(kind, dict.fromkeys(sizes_of(kind), 100.0)).effects]
    faults = {code: _FAULT_LABELS[code] for code in dict.fromkeys(codes)}
    return _SIZE_LABELS[alike] | _COUNT_LABELS.get(alike, {}) | faults


def _work_out(desk: Desk, kind: str, typed: Mapping[str, str], units: UnitWorld) -> WorkTolerance:
    """The command's answer; a bare number is in the page's unit, and the fence is the chosen sled's as logged."""
    given: dict[str, Any] = {}
    for name, text in typed.items():
        if not text or name == "sled":
            continue
        if name in {"ends", "sides"}:
            if not text.isdecimal() or len(text) > 3:
                raise InputError(name, f"<{name}> {text!r} is no whole number")
            given[name] = int(text)
        else:
            given[name] = in_units(text, units)
    missing = [name for name in sizes_of(kind) if name not in given]
    if missing:
        raise InputError(missing[0], f"<{missing[0]}> is empty; fill it in")
    file = desk.sleds().by_key.get(typed["sled"])
    if file is None:
        return tolerance(kind, **given)
    try:
        return tolerance(kind, sled=file, log=desk.settings.log, **given)
    except InputError as problem:
        if problem.parameter != "log":
            raise
        return tolerance(kind, sled=file, **given)  # the log knows nothing of this sled yet
