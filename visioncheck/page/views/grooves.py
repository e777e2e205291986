"""Grooves: what the fence scale must read for every pass, and the cut board held against that, from the phone."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

import anyio
from starlette.exceptions import HTTPException
from starlette.responses import Response

from visioncheck.errors import InputError, UserError
from visioncheck.kerf.passes import lay_out
from visioncheck.kerf.read_plan import plan_from_data
from visioncheck.log.store import Log
from visioncheck.page import drawing
from visioncheck.page.desk import get_desk, get_units
from visioncheck.page.mistakes import in_units, mistake_from
from visioncheck.page.uploads import RefusedForm
from visioncheck.page.views.photo import check_told
from visioncheck.present.cautions import CAUTIONS
from visioncheck.present.grooves import layout_lines
from visioncheck.present.naming import error_sentence
from visioncheck.present.slot import fine_length
from visioncheck.results.model import SlotResult, middle_width

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request

    from visioncheck.kerf.plan import Plan
    from visioncheck.units import UnitWorld

_NAMES = (
    "at",
    "width",
    "mating",
    "mating_plus_minus",
    "fit",
    "board",
    "kerf",
    "plus_minus",
    "slot",
    "zero_kerf",
    "fence",
    "flange",
    "overlap",
)
_NEEDED = {
    "at": "From the edge at the fence to the groove’s near wall",
    "board": "The board’s width across it",
    "zero_kerf": "Kerf of the blade that the scale was zeroed with",
    "fence": "The fence is on the blade’s",
    "flange": "The fixed flange is on the blade’s",
}
_LABELS = _NEEDED | {
    "width": "The groove’s width",
    "mating": "Or the part’s width, where it is for a part",
    "mating_plus_minus": "How well the part’s width is known, ± at 95 %",
    "fit": "How the part is to fit",
    "kerf": "Kerf of the blade or stack on the arbor",
    "plus_minus": "How well that is known, ± at 95 %",
    "overlap": "Least overlap of two passes",
}
_KEYS: dict[str, tuple[str | int, ...]] = {
    "at": ("groove", 0, "at"),
    "width": ("groove", 0, "width"),
    "mating": ("groove", 0, "mating"),
    "mating_plus_minus": ("groove", 0, "mating_plus_minus"),
    "fit": ("groove", 0, "fit"),
    "board": ("board", "width"),
    "zero_kerf": ("saw", "zero_kerf"),
    "fence": ("saw", "fence"),
    "flange": ("saw", "flange"),
    "kerf": ("blade", "kerf"),
    "plus_minus": ("blade", "plus_minus"),
    "overlap": ("blade", "overlap"),
}
"""Where a plan file has what the form asks for."""
_MOST_SLOTS = 5


@dataclass(frozen=True, slots=True)
class Slot:
    """A measured slot that can stand for the blade's kerf."""

    id: str
    label: str
    kerf: str
    plus_minus: str


def show_groove(request: Request) -> Response:
    """Ask for a groove; where it is said in the address, work it out."""
    desk = get_desk(request)
    typed = {name: request.query_params.get(name, "").strip()[:60] for name in _NAMES}
    units = get_units(request) or "mm"
    slots = _slots(desk.settings.log, units)
    lines, mistake = [], None
    if any(typed.values()):
        try:
            lines = layout_lines(lay_out(groove_plan(typed, units, slots)))
        except UserError as error:
            mistake = mistake_from(error, _LABELS, {".".join(map(str, path)): name for name, path in _KEYS.items()})
    return desk.render(
        request,
        "groove.html.j2",
        400 if mistake else 200,
        filled=typed,
        labels=_LABELS,
        mistake=mistake,
        slots=slots,
        lines=lines,
        passes=[line.label for line in lines if line.label.startswith("  pass")],
        drawing=f"/groove.png?{urlencode(typed)}" if lines else "",
        cautions=CAUTIONS,
    )


async def send_drawing(request: Request) -> Response:
    """Send the drawing of a groove's passes."""
    desk = get_desk(request)
    typed = {name: request.query_params.get(name, "").strip()[:60] for name in _NAMES}
    units = get_units(request) or "mm"
    try:
        plan = groove_plan(typed, units, _slots(desk.settings.log, units))
        drawn = await desk.workers.aside(drawing.draw_grooves, plan)
    except (UserError, TimeoutError, anyio.BrokenWorkerProcess):
        raise HTTPException(404) from None
    return Response(drawn, media_type="image/png")


async def send_board(request: Request) -> Response:
    """Take a photo of the cut board into the queue, to be held against the plan."""
    desk = get_desk(request)
    units = get_units(request) or "mm"
    async with desk.form(request) as form:
        typed = {name: form.fields.get(name, "")[:60] for name in _NAMES}
        try:
            data = _data(typed, units, _slots(desk.settings.log, units))
            _plan(data)
        except UserError as error:
            raise RefusedForm(400, error_sentence(error, "page"), "Go back and mend that.") from None
        fields = {name: form.fields.get(name, "") for name in ("fence_edge", "thickness")}
        return await desk.accept(request, "groove", check_told(fields, units) | {"plan": data}, form)


def groove_plan(typed: Mapping[str, str], units: UnitWorld, slots: tuple[Slot, ...] = ()) -> Plan:
    """Make the plan of one groove from what was typed.

    Raises
    ------
    UserError
        By the form's labels.
    """
    return _plan(_data(typed, units, slots))


def _plan(data: dict[str, Any]) -> Plan:
    labels = {path: _LABELS[name] for name, path in _KEYS.items()}
    return plan_from_data(data, "the groove", Path(), labels)


def _data(typed: Mapping[str, str], units: UnitWorld, slots: tuple[Slot, ...]) -> dict[str, Any]:
    """Give the plan file that would say the same; a bare number gets the unit of the page."""
    missing = [name for name in _NEEDED if not typed[name]]
    if missing:
        raise InputError(missing[0], f"{_NEEDED[missing[0]]}: is empty; fill it in")
    words = {"fence", "flange", "slot", "fit"}
    length = {name: in_units(typed[name], units) for name in _NAMES if name not in words}
    if not typed["width"] and not typed["mating"]:
        raise InputError("width", f"{_LABELS['width']}: is empty; fill it in, or the part’s width")
    if typed["mating_plus_minus"] and not typed["mating"]:
        said = f"{_LABELS['mating_plus_minus']}: stands without that width; type it too"
        raise InputError("mating_plus_minus", said)
    wide = {key: length[key] for key in ("width", "mating", "mating_plus_minus") if typed[key]}
    wide |= {"fit": typed["fit"]} if typed["fit"] else {}
    data: dict[str, Any] = {
        "name": "One groove",
        "units": units,
        "board": {"width": length["board"]},
        "saw": {"zero_kerf": length["zero_kerf"], "fence": typed["fence"], "flange": typed["flange"]},
        "groove": [{"name": "groove", "at": length["at"]} | wide],
    }
    slot = next((each for each in slots if each.id == typed["slot"]), None)
    if slot is not None and typed["kerf"]:
        raise InputError("kerf", "The kerf is typed, and a slot chosen as well; give one of the two")
    if slot is None and typed["plus_minus"] and not typed["kerf"]:
        raise InputError("plus_minus", f"{_LABELS['plus_minus']}: stands without that kerf; type the kerf too")
    blade = {key: length[key] for key in ("kerf", "plus_minus", "overlap") if typed[key]}
    if slot is not None:
        blade |= {"kerf": slot.kerf, "plus_minus": slot.plus_minus}
    return data | ({"blade": blade} if blade else {})


def _slots(folder: Path, units: UnitWorld) -> tuple[Slot, ...]:
    """The newest slots that the log holds."""
    with Log.open(folder, readonly=True) as log:
        found = [each for each in log.entries() if each.corrected_by is None and isinstance(each.result, SlotResult)]
    slots = []
    for entry in found[::-1][:_MOST_SLOTS]:
        width = middle_width(entry.result)
        if width is not None:
            label = f"{fine_length(width, units)}, {entry.sled}, {entry.time.astimezone():%Y-%m-%d %H:%M}"
            slots.append(Slot(entry.id, label, f"{width.value:.4f}mm", f"{width.expanded():.4f}mm"))
    return tuple(slots)
