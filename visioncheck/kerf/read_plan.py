"""Reading a plan of grooves from TOML; every complaint names the file, the line where it can, and the key."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, cast

from visioncheck.errors import UserError
from visioncheck.files import parse_toml, read_text
from visioncheck.kerf.plan import Groove, Plan, Saw, Side
from visioncheck.quantity import Quantity, coverage_factor
from visioncheck.units import UnitWorld, parse_length

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

_KEYS: dict[str, tuple[str, ...]] = {
    "": ("name", "units", "tolerance", "board", "saw", "blade", "groove"),
    "board": ("width", "edges"),
    "saw": ("fence", "flange", "zero_kerf", "zero_plus_minus", "setting_plus_minus"),
    "blade": ("kerf", "plus_minus", "slot", "overlap"),
    "groove": ("name", "from", "at", "width", "kerf", "plus_minus", "settings", "blade_line"),
}
_LARGEST_FILE = 100_000
_MOST_GROOVES = 100
_LONGEST_MM = 10_000.0
_WIDEST_MM = 60.0
_OVERLAP_MM = 0.8
"""1/32 in, or a quarter of a narrower blade (common practice, no source)."""
_TOLERANCE_MM = 0.25
"""0.010 in (common practice, no source)."""
_AFTER = "groove "


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


@dataclass(frozen=True, slots=True)
class _Source:
    """Where a plan's data came from."""

    name: str
    text: str = ""
    folder: Path | None = None

    def complaint(self, table: _Table, key: str, what: str) -> UserError:
        line = _line_of(self.text, table.section, table.index, key)
        at = f" line {line}" if line else ""
        return UserError(f"{self.name}{at}: {table.called(key)} {what}")


@dataclass(frozen=True, slots=True)
class _Table:
    """One table of the plan."""

    section: str
    data: dict[str, Any]
    source: _Source
    index: int = 0

    def called(self, key: str) -> str:
        if not self.section:
            return key
        number = f"[{self.index + 1}]" if self.section == "groove" else ""
        return f"{self.section}{number}.{key}"

    def complaint(self, key: str, what: str) -> UserError:
        return self.source.complaint(self, key, what)

    def text(self, key: str, default: str | None = None) -> str:
        value = self.data.get(key, default)
        if not isinstance(value, str) or not value.strip() or not value.isprintable() or len(value) > 100:
            said = "is missing" if value is None else "is no name"
            raise self.complaint(key, f'{said}; write for example {key} = "middle shelf"')
        return value.strip()

    def choice(self, key: str, choices: Sequence[str], default: str | None = None) -> str:
        value = self.data.get(key, default)
        if value not in choices:
            said = "is missing" if value is None else f"is {value!r:.40}"
            raise self.complaint(key, f"{said}; write {' or '.join(repr(c) for c in choices)}")
        return str(value)

    def length(self, key: str, least_mm: float, most_mm: float) -> float:
        return self.one_length(key, self.data.get(key), least_mm, most_mm)

    def optional_length(self, key: str, least_mm: float, most_mm: float) -> float | None:
        return self.length(key, least_mm, most_mm) if key in self.data else None

    def one_length(self, key: str, value: Any, least_mm: float, most_mm: float) -> float:
        if not isinstance(value, str):
            said = "is missing" if value is None else "has no unit"
            raise self.complaint(key, f'{said}; write it in quotes with its unit, such as "3/4in" or "18mm"')
        try:
            mm = parse_length(value)
        except UserError as error:
            raise self.complaint(key, f"is wrong: {error}") from None
        if least_mm > 0 >= mm:
            raise self.complaint(key, f"is {value.strip()}; it must be more than nothing")
        if not least_mm <= mm <= most_mm:
            raise self.complaint(key, f"is {mm:g} mm; it should lie between {least_mm:g} and {most_mm:g} mm")
        return mm

    def kerf(self, key: str, plus_minus: str) -> Quantity:
        value = self.length(key, 0.3, _WIDEST_MM)
        return Quantity(value, self.standard_u(plus_minus), "mm")

    def standard_u(self, key: str) -> float:
        """Turn ``±`` at 95 %, as reports say it, into a standard uncertainty; 0 when it is not given."""
        if key not in self.data:
            return 0.0
        return self.length(key, 0.0, 5.0) / coverage_factor(float("inf"))

    def refuse_unknown(self) -> None:
        keys = _KEYS[self.section]
        for key in self.data:
            if key not in keys:
                near = get_close_matches(key, keys, n=1)
                hint = f"did you mean {near[0]}?" if near else f"known here: {', '.join(keys)}"
                raise self.complaint(key, f"is no key of a plan; {hint}")


def plan_from_data(data: dict[str, Any], source: _Source | str, folder: Path | None = None) -> Plan:
    """Make a plan of a parsed TOML document; a name for `source` is what error messages call it.

    A slot measured before is looked for in `folder`.
    """
    source = _Source(source, folder=folder) if isinstance(source, str) else source
    top = _Table("", data, source)
    top.refuse_unknown()
    board, saw = _section(top, "board"), _section(top, "saw")
    blade = _section(top, "blade") if "blade" in data else None
    edges = _edges(board)
    kerf = _blade_kerf(blade)
    zero = saw.kerf("zero_kerf", "zero_plus_minus")
    grooves = _grooves(top, edges, kerf)
    narrowest = min((g.kerf or zero).value for g in grooves)
    overlap = blade.optional_length("overlap", 0.0, _WIDEST_MM) if blade else None
    tolerance = top.optional_length("tolerance", 0.01, 10.0)
    return Plan(
        name=top.text("name", "grooves"),
        units=cast("UnitWorld", top.choice("units", ("in", "mm"))),
        board_mm=board.length("width", 1.0, _LONGEST_MM),
        fence_edge=edges[0],
        other_edge=edges[1],
        saw=Saw(
            fence=cast("Side", saw.choice("fence", ("left", "right"))),
            flange=cast("Side", saw.choice("flange", ("left", "right"))),
            zero_kerf=zero,
            setting_u_mm=saw.standard_u("setting_plus_minus"),
        ),
        overlap_mm=min(_OVERLAP_MM, narrowest / 4) if overlap is None else overlap,
        tolerance_mm=_TOLERANCE_MM if tolerance is None else tolerance,
        grooves=grooves,
    )


def _section(top: _Table, section: str) -> _Table:
    value = top.data.get(section)
    if not isinstance(value, dict):
        raise top.complaint(section, f"is missing; write [{section}] on a line of its own and its keys below")
    table = _Table(section, value, top.source)
    table.refuse_unknown()
    return table


def _edges(board: _Table) -> tuple[str, str]:
    edges = board.data.get("edges", ["fence edge", "far edge"])
    if not isinstance(edges, list) or len(edges) != 2 or not all(isinstance(e, str) and e.strip() for e in edges):
        raise board.complaint("edges", 'must name two edges, first the one at the fence: edges = ["front", "back"]')
    first, second = (edge.strip() for edge in edges)
    if first == second or any(edge.startswith(_AFTER) or not edge.isprintable() for edge in (first, second)):
        raise board.complaint("edges", 'must be two different names, neither starting with "groove "')
    return first, second


def _blade_kerf(blade: _Table | None) -> Quantity | None:
    if blade is None:
        return None
    if "slot" not in blade.data:
        return blade.kerf("kerf", "plus_minus")
    if "kerf" in blade.data or "plus_minus" in blade.data:
        raise blade.complaint("slot", "stands beside kerf or plus_minus; give one or the other")
    name = blade.text("slot")
    if blade.source.folder is None:
        raise blade.complaint("slot", "needs a plan file that it can stand beside")
    path = blade.source.folder / name
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
        raise UserError(f"{name} is the reading of a {reading['piece']!r:.20}, not of a saw slot; measure --piece slot")
    if not (0.3 <= found.value <= _WIDEST_MM and 0 <= found.u < found.value and found.dof > 0):
        raise UserError(f"{name}: a width of {found.value:g} mm with u {found.u:g} mm is no saw slot; measure it again")
    return found


def _grooves(top: _Table, edges: tuple[str, str], kerf: Quantity | None) -> tuple[Groove, ...]:
    tables = top.data.get("groove")
    if not isinstance(tables, list) or not tables or not all(isinstance(one, dict) for one in tables):
        raise top.complaint("groove", "is missing; write [[groove]] on a line of its own and its keys below")
    if len(tables) > _MOST_GROOVES:
        raise top.complaint("groove", f"stands there {len(tables)} times; at most {_MOST_GROOVES} grooves make a plan")
    grooves: dict[str, Groove] = {}
    for index, data in enumerate(tables):
        table = _Table("groove", data, top.source, index)
        table.refuse_unknown()
        groove = _groove(table, edges, kerf, grooves)
        if groove.name in grooves:
            raise table.complaint("name", f"{groove.name!r} stands there twice; give every groove its own name")
        grooves[groove.name] = groove
    return tuple(grooves.values())


def _groove(table: _Table, edges: tuple[str, str], kerf: Quantity | None, before: dict[str, Groove]) -> Groove:
    start = table.text("from", edges[0])
    at = table.length("at", 0.0, _LONGEST_MM)
    edge, after = start, None
    if start not in edges:
        other = before.get(start.removeprefix(_AFTER)) if start.startswith(_AFTER) else None
        if other is None:
            known = [*edges, *(f"{_AFTER}{name}" for name in before)]
            raise table.complaint("from", f"is {start!r}; write one of {', '.join(map(repr, known))}")
        edge, after = other.edge, other.name
        at += other.at_mm + other.width_mm
    own = table.kerf("kerf", "plus_minus") if "kerf" in table.data else kerf
    return Groove(
        name=table.text("name", str(table.index + 1)),
        edge=edge,
        at_mm=at,
        width_mm=table.length("width", 0.3, _LONGEST_MM),
        kerf=own,
        after=after,
        settings_mm=_settings(table),
        blade_line_mm=table.optional_length("blade_line", 0.0, _LONGEST_MM),
    )


def _settings(table: _Table) -> tuple[float, ...] | None:
    value = table.data.get("settings")
    if value is None:
        return None
    if not isinstance(value, list) or not 1 <= len(value) <= 200:
        raise table.complaint("settings", 'must list the fence settings, such as ["3in", "3 1/4in"]')
    return tuple(table.one_length("settings", one, 0.0, _LONGEST_MM) for one in value)


def _line_of(text: str, section: str, index: int, key: str) -> int | None:
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
