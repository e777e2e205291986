"""Reading a plan of grooves from TOML; every complaint names the file, the line where it can, and the key."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from visioncheck import checks
from visioncheck.errors import InputError, UserError
from visioncheck.files import parse_toml, read_text
from visioncheck.kerf.fit import FITS, DadoStack
from visioncheck.kerf.plan import Groove, Plan, TableSaw
from visioncheck.quantity import Quantity, coverage_factor
from visioncheck.tables import Name, Slip, Table, fill, format_key, limits, within

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

_LARGEST_FILE = 100_000
_LONGEST_MM = 10_000.0
_WIDEST_MM = 60.0
_OVERLAP_MM = 0.8
"""1/32 in, or a quarter of a narrower blade (common practice, no source)."""
_TOLERANCE_MM = 0.25
"""0.010 in (common practice, no source)."""
_AFTER = "groove "
_EDGES = 'edges = ["front", "back"]'


def load_plan(path: Path) -> Plan:
    """Read a plan file; a slot measured before is looked for beside it.

    Raises
    ------
    UserError
        Naming the file and the line or key.
    """
    return parse_plan(read_text(path, "plan file", largest=_LARGEST_FILE), str(path), path.parent)


def parse_plan(text: str, name: str, folder: Path | None = None) -> Plan:
    """Read a plan from TOML text; `name` is what error messages call the file."""
    data = parse_toml(text, name, "a plan")
    return plan_from_data(data, _Source(name, text, folder))


def _two_edges(value: Any) -> tuple[str, str]:
    if not isinstance(value, list) or len(value) != 2 or not all(isinstance(e, str) and e.strip() for e in value):
        raise ValueError(f"must name two edges, first the one at the fence: {_EDGES}")
    first, second = (edge.strip() for edge in value)
    if first == second or any(edge.startswith(_AFTER) or not edge.isprintable() for edge in (first, second)):
        raise ValueError('must be two different names, neither starting with "groove "')
    return first, second


def _own_settings(value: Any) -> tuple[float, ...]:
    if not isinstance(value, list) or not 1 <= len(value) <= checks.PLAN_MOST_SETTINGS:
        raise ValueError('must list the fence settings, such as ["3in", "3 1/4in"]')
    return tuple(within(one, 0.0, _LONGEST_MM) for one in value)


def _place_or_centre(value: Any) -> float | str:
    return "centre" if value == "centre" else within(value, 0.0, _LONGEST_MM)


_Kerf = Annotated[float, limits(0.3, _WIDEST_MM)]
_Place = Annotated[float, limits(0.0, _LONGEST_MM)]
# told at 95 %, as reports say it; taken as a standard uncertainty
_PlusMinus = Annotated[float, limits(0.0, 5.0), AfterValidator(lambda mm: mm / coverage_factor(math.inf))]


class BoardTable(Table):
    """The board: its width across the grooves, and what its edges are called, first the one at the fence."""

    width: Annotated[float, limits(1.0, _LONGEST_MM)]
    edges: Annotated[tuple[str, str], BeforeValidator(_two_edges)] = ("fence edge", "far edge")


class SawTable(Table):
    """The saw and its scale."""

    fence: Literal["left", "right"]
    flange: Literal["left", "right"]
    zero_kerf: _Kerf
    zero_plus_minus: _PlusMinus = 0.0
    setting_plus_minus: _PlusMinus = 0.0
    overhang: Annotated[float, limits(-checks.TOOTH_OVERHANG_MM, checks.TOOTH_OVERHANG_MM)] | None = None
    overhang_plus_minus: _PlusMinus = 0.0


class BladeTable(Table):
    """The blade or stack on the arbor; its kerf as typed, or from a slot measured before."""

    kerf: _Kerf | None = None
    plus_minus: _PlusMinus = 0.0
    slot: Name | None = None
    overlap: Annotated[float, limits(0.0, _WIDEST_MM)] | None = None


class GrooveTable(Table):
    """One groove."""

    name: Name | None = None
    start: Annotated[Name | None, Field(alias="from")] = None
    at: Annotated[float | Literal["centre"], BeforeValidator(_place_or_centre)]
    width: Annotated[float, limits(0.3, _LONGEST_MM)] | None = None
    mating: Annotated[float, limits(0.3, _LONGEST_MM)] | None = None
    mating_plus_minus: _PlusMinus = 0.0
    fit: Literal["press", "glue", "slide"] | None = None
    kerf: _Kerf | None = None
    plus_minus: _PlusMinus = 0.0
    settings: Annotated[tuple[float, ...], BeforeValidator(_own_settings)] | None = None
    blade_line: _Place | None = None


_Piece = Annotated[float, limits(0.01, _WIDEST_MM)]


class StackTable(Table):
    """Outside cutters (both together), chippers and shims that are owned, one entry for each piece."""

    outer: _Kerf
    chippers: Annotated[list[_Piece], Field(default_factory=list, max_length=checks.STACK_MOST_PIECES)]
    shims: Annotated[list[_Piece], Field(default_factory=list, max_length=checks.STACK_MOST_PIECES)]


class PlanTable(Table):
    """The whole file."""

    name: Name = "grooves"
    units: Literal["in", "mm"]
    tolerance: Annotated[float, limits(0.01, 10.0)] | None = None
    board: BoardTable
    saw: SawTable
    blade: BladeTable | None = None
    stack: StackTable | None = None
    groove: Annotated[
        list[GrooveTable],
        Field(
            min_length=1,
            max_length=checks.PLAN_MOST_GROOVES,
            description=f"write [[groove]] on a line of its own and its keys below, 1 to {checks.PLAN_MOST_GROOVES}"
            " times",
        ),
    ]


@dataclass(frozen=True, slots=True)
class _Source:
    """Where a plan's data came from."""

    name: str
    text: str = ""
    folder: Path | None = None
    labels: Mapping[tuple[str | int, ...], str] = field(default_factory=dict)

    def complaint(self, path: tuple[str | int, ...], what: str) -> UserError:
        if path in self.labels:
            return InputError(".".join(str(part) for part in path), f"{self.labels[path]}: {what}")
        section = str(path[0]) if len(path) > 1 else ""
        index = path[1] if len(path) > 2 and isinstance(path[1], int) else 0
        key = next((part for part in reversed(path) if isinstance(part, str)), "")
        line = _find_line(self.text, section, index, key)
        return UserError(f"{self.name}{f' line {line}' if line else ''}: {format_key(path)} {what}")


def plan_from_data(
    data: dict[str, Any],
    source: _Source | str,
    folder: Path | None = None,
    labels: Mapping[tuple[str | int, ...], str] | None = None,
) -> Plan:
    """Make a plan of a parsed TOML document; a name for `source` is what error messages call it.

    A slot measured before is looked for in `folder`. `labels` are what a form calls the keys, by their paths such as
    ``("groove", 0, "at")``; an error about such a key has its label in place of the source's name.
    """
    source = _Source(source, folder=folder, labels=labels or {}) if isinstance(source, str) else source
    try:
        table = fill(PlanTable, data, "a plan")
    except Slip as slip:
        raise source.complaint(slip.path, slip.sentence) from None
    saw = table.saw
    zero = Quantity(saw.zero_kerf, saw.zero_plus_minus, "mm")
    grooves = _grooves(table, _blade_kerf(table.blade, source), source)
    narrowest = min((g.kerf or zero).value for g in grooves)
    overlap = table.blade.overlap if table.blade else None
    return Plan(
        name=table.name,
        units=table.units,
        board_mm=table.board.width,
        fence_edge=table.board.edges[0],
        other_edge=table.board.edges[1],
        saw=TableSaw(saw.fence, saw.flange, zero, saw.setting_plus_minus, _overhang(saw)),
        overlap_mm=min(_OVERLAP_MM, narrowest / 4) if overlap is None else overlap,
        tolerance_mm=_TOLERANCE_MM if table.tolerance is None else table.tolerance,
        grooves=grooves,
        stack=_stack(table.stack),
    )


def _overhang(saw: SawTable) -> Quantity | None:
    return None if saw.overhang is None else Quantity(saw.overhang, saw.overhang_plus_minus, "mm")


def _stack(table: StackTable | None) -> DadoStack | None:
    return None if table is None else DadoStack(table.outer, tuple(table.chippers), tuple(table.shims))


def _blade_kerf(blade: BladeTable | None, source: _Source) -> Quantity | None:
    if blade is None:
        return None
    if blade.slot is None:
        if blade.kerf is None and blade.model_fields_set == {"overlap"}:
            return None  # told for the blade that the scale was zeroed with
        if blade.kerf is None:
            raise source.complaint(("blade", "kerf"), 'is missing; write it in quotes with its unit, such as "1/8in"')
        return Quantity(blade.kerf, blade.plus_minus, "mm")
    if blade.kerf is not None or "plus_minus" in blade.model_fields_set:
        raise source.complaint(("blade", "slot"), "stands beside kerf or plus_minus; give one or the other")
    if source.folder is None:
        raise source.complaint(("blade", "slot"), "needs a plan file that it can stand beside")
    path = source.folder / blade.slot
    return slot_kerf(read_text(path, "slot file", largest=_LARGEST_FILE), str(path))


def slot_kerf(text: str, name: str) -> Quantity:
    """Take the width at the middle of a measured slot from the JSON that measuring it printed, mm.

    Raises
    ------
    UserError
        When the text is no measured slot; `name` is what the message calls it.
    """
    try:
        reading = json.loads(text)
        width = reading["width_mm"]
        middle = width[len(width) // 2]
        dof = middle.get("dof")
        found = Quantity(float(middle["value"]), float(middle["u"]), "mm", float("inf") if dof is None else float(dof))
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError):
        raise UserError(f"{name} holds no slot's width; give the JSON of a measured slot") from None
    if reading.get("piece", "slot") != "slot":
        raise InputError(
            "piece",
            f"{name} is the reading of a {reading['piece']!r:.20}, not of a saw slot; measure with <piece=slot>",
        )
    if not (0.3 <= found.value <= _WIDEST_MM and 0 <= found.u < found.value and found.dof > 0):
        raise UserError(f"{name}: a width of {found.value:g} mm with u {found.u:g} mm is no saw slot; measure it again")
    return found


def _grooves(table: PlanTable, kerf: Quantity | None, source: _Source) -> tuple[Groove, ...]:
    grooves: dict[str, Groove] = {}
    for index, each in enumerate(table.groove):
        groove = _groove(each, index, table.board, kerf, grooves, source)
        if groove.name in grooves:
            said = f"{groove.name!r} stands there twice; give every groove its own name"
            raise source.complaint(("groove", index, "name"), said)
        grooves[groove.name] = groove
    return tuple(grooves.values())


def _groove(
    table: GrooveTable,
    index: int,
    board: BoardTable,
    kerf: Quantity | None,
    before: dict[str, Groove],
    source: _Source,
) -> Groove:
    mating, width = _width(table, index, source)
    start, edges = table.start or board.edges[0], board.edges
    edge, after = start, None
    at = (board.width - width) / 2 if isinstance(table.at, str) else table.at
    if start not in edges:
        other = before.get(start.removeprefix(_AFTER)) if start.startswith(_AFTER) else None
        if other is None or table.at == "centre":
            known = [*edges, *(f"{_AFTER}{name}" for name in before if table.at != "centre")]
            said = f"is {start!r}; write one of {', '.join(map(repr, known))}"
            raise source.complaint(("groove", index, "from"), said)
        edge, after = other.edge, other.name
        at += other.at_mm + other.width_mm
    return Groove(
        name=table.name or str(index + 1),
        edge=edge,
        at_mm=at,
        width_mm=width,
        kerf=kerf if table.kerf is None else Quantity(table.kerf, table.plus_minus, "mm"),
        after=after,
        settings_mm=table.settings,
        blade_line_mm=table.blade_line,
        mating=mating,
        fit=None if table.fit is None else FITS[table.fit],
        is_centred=table.at == "centre",
    )


def _width(table: GrooveTable, index: int, source: _Source) -> tuple[Quantity | None, float]:
    """Take the part that goes in, and the groove's width: as told, or the part's with the clearance of its fit."""
    if (table.mating is None) != (table.fit is None):
        lone, other = ("mating", "fit") if table.fit is None else ("fit", "mating")
        raise source.complaint(("groove", index, lone), f"needs {other} beside it: a part and how it is to sit")
    if table.mating is None or table.fit is None:
        if table.width is None:
            raise source.complaint(("groove", index, "width"), "is missing; write it, or mating and fit for a part")
        return None, table.width
    mating = Quantity(table.mating, table.mating_plus_minus, "mm")
    return mating, table.mating + FITS[table.fit].aim_mm if table.width is None else table.width


def _find_line(text: str, section: str, index: int, key: str) -> int | None:
    """Find the line of a key, or of the table where it is missing; None for a layout too unusual to follow."""
    here, count, header = "", -1, None
    for number, line in enumerate(text.splitlines(), start=1):
        found = re.match(r"\s*\[\[?\s*([A-Za-z_]+)\s*\]\]?", line)
        if found:
            here = found[1]
            count += here == section == "groove"
        inside = here == section and (section != "groove" or count == index)
        if inside and found:
            header = number
        if inside and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line):
            return number
    return header
