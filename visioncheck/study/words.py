"""A gauge study in words, and the table of readings it is made from."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from visioncheck.errors import UserError
from visioncheck.files import read_text
from visioncheck.present.line import LabelledLine
from visioncheck.study.gauge import SHARE_OF_TOLERANCE, GaugeStudy, photos_to_average
from visioncheck.study.nested import Component, NestedStudy, cuts_to_average, nested_study, share_of_tolerance

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from numpy.typing import NDArray

_LARGEST_FILE = 1_000_000


@dataclass(frozen=True, slots=True)
class Nested:
    """Readings, each with its sled, cut and laying; and what messages call their source."""

    readings: tuple[tuple[tuple[str, str, str], float], ...]
    name: str

    def study(self) -> NestedStudy:
        """Split their spread; raises UserError where too little was repeated."""
        try:
            return nested_study([labels for labels, _ in self.readings], [value for _, value in self.readings])
        except ValueError as problem:
            raise UserError(
                f"{self.name}: {problem}; photograph a few cuts, each laid and photographed twice"
            ) from None


def read_readings(path: Path) -> NDArray[np.float64] | Nested:
    """Read a table in degrees, ``piece,person,value`` (person may be missing) or ``sled,cut,laying,value``.

    With semicolons between, as spreadsheets write it where the comma is the decimal sign, commas are taken for that.

    Returns
    -------
    (pieces, persons, trials) array, or Nested

    Raises
    ------
    UserError
        Naming the file and the line, or the cell of an unbalanced study.
    """
    text = read_text(path, "table of readings", "save it as CSV in UTF-8", _LARGEST_FILE).removeprefix("\ufeff")
    between = ";" if ";" in text.partition("\n")[0] else ","
    rows = csv.DictReader(io.StringIO(text, newline=None), skipinitialspace=True, delimiter=between)
    try:
        names = [name.strip().lower() for name in rows.fieldnames or []]
        rows.fieldnames = names
        nested = bool({"cut", "laying"} & set(names))
        if not ({"value"} if nested else {"piece", "value"}) <= set(names) or (nested and "piece" in names):
            raise UserError(
                f"{path} needs the columns piece, person and value, or sled, cut, laying and value, named in its first"
                " line"
            )
        if nested:
            return _nested_rows(rows, path)
        readings = [_row(row, rows.line_num, path) for row in rows]
    except csv.Error as error:
        raise UserError(f"{path} is no table of comma-separated values: {error}") from None
    return arrange(readings, str(path))


def _nested_rows(rows: csv.DictReader[str], path: Path) -> Nested:
    found = []
    for row in rows:
        value = _value(row, rows.line_num, path)
        sled, cut, laying = ((row.get(name) or "").strip() for name in ("sled", "cut", "laying"))
        found.append(((sled, cut, laying), value))
    return Nested(tuple(found), str(path))


def _row(row: dict[str | Any, Any], line: int, path: Path) -> tuple[str, str, float]:
    value = _value(row, line, path)
    piece = (row["piece"] or "").strip()
    if not piece:
        raise UserError(f"{path}, line {line}: needs a piece and a number in degrees")
    return piece, (row.get("person") or "").strip(), value


def _value(row: dict[str | Any, Any], line: int, path: Path) -> float:
    if None in row:  # 0,011 has become two cells
        raise UserError(
            f"{path}, line {line}: has more values than the first line names; write decimals with a point, or "
            "semicolons between the columns"
        )
    try:
        value = float(row["value"].replace(",", ".") if row["value"].count(",") == 1 else row["value"])
    except (AttributeError, ValueError):
        value = math.nan
    if not math.isfinite(value):
        raise UserError(f"{path}, line {line}: needs a piece and a number in degrees")
    return value


def arrange(readings: Iterable[tuple[str, str, float]], name: str) -> NDArray[np.float64]:
    """Arrange (piece, person, value) as a balanced (pieces, persons, trials) array.

    Raises
    ------
    UserError
        When some person read some piece more or fewer times than the others, or there is too little.
    """
    cells: dict[tuple[str, str], list[float]] = {}
    for piece, person, value in readings:
        cells.setdefault((piece, person), []).append(value)
    pieces = list(dict.fromkeys(piece for piece, _ in cells))
    persons = list(dict.fromkeys(person for _, person in cells))
    trials = max((len(values) for values in cells.values()), default=0)
    if len(pieces) < 2 or trials < 2:
        raise UserError(f"{name}: a study needs at least 2 pieces, each read at least twice by each person")
    for piece in pieces:
        for person in persons:
            count = len(cells.get((piece, person), []))
            if count != trials:
                who = f" by {person}" if person else ""
                raise UserError(f"{name}: piece {piece} was read {count} times{who}, others {trials}; make them equal")
    return np.array([[cells[piece, person] for person in persons] for piece in pieces])


def study_lines(study: GaugeStudy, tolerance_deg: float) -> list[LabelledLine]:
    """Say a study of fence-error readings in degrees, against a tolerance."""
    counts = f"{study.pieces} pieces, {_count(study.persons, 'person')}, {study.trials} readings of each"
    lines = [LabelledLine("Study", counts), LabelledLine("Repeats", _source(study.repeat, tolerance_deg))]
    if study.persons > 1:
        lines += [LabelledLine("Persons", _source(study.person, tolerance_deg))]
    if study.interaction > 0:
        both = f"{_source(study.interaction, tolerance_deg)}; persons differ on some pieces more than on others"
        lines += [LabelledLine("Both", both)]
    return [
        *lines,
        LabelledLine("Together", _source(study.gauge, tolerance_deg)),
        LabelledLine("Pieces", f"standard deviation {study.piece:.4f}° from piece to piece"),
        LabelledLine("Tolerance", _format_ratio(tolerance_deg)),
        LabelledLine("Photos", _photos(study, tolerance_deg)),
    ]


def nested_lines(study: NestedStudy, tolerance_deg: float) -> list[LabelledLine]:
    """Say a nested study: what camera, laying, cut and sled each add, and what that means."""
    lines = [LabelledLine("Study", f"{study.readings} readings")]
    for each in reversed(study.components):
        label = " and ".join(_SOURCE_NAMES[source] for source in reversed(each.sources))
        lines.append(LabelledLine(label[0].upper() + label[1:], _format_component(each, tolerance_deg)))
    measuring, fresh = study.sd_of("laying", "camera"), study.sd_of("cut", "laying", "camera")
    named = {source for each in study.components for source in each.sources}
    lines.append(LabelledLine("One photo", f"of a piece: {_source(measuring, tolerance_deg)}"))
    if "cut" in named:
        lines.append(LabelledLine("One cut", f"fresh, one photo, for the sled: {_source(fresh, tolerance_deg)}"))
    lines.append(LabelledLine("Tolerance", _format_ratio(tolerance_deg)))
    return [*lines, LabelledLine("Average", _format_cuts(study, tolerance_deg, named))]


_SOURCE_NAMES = {"sled": "sled to sled", "cut": "cut to cut", "laying": "laying to laying", "camera": "photo to photo"}


def _format_component(each: Component, tolerance_deg: float) -> str:
    interval = f"between {each.low:.4f} and {each.high:.4f}° (95 %, {_count(each.dof, 'degree')} of freedom)"
    if each.variance <= 0:
        return f"does not show above what lies below it; at most {each.high:.4f}° (95 %)"
    if each.sources == ("sled",):
        return f"standard deviation {each.sd:.4f}°, {interval}; a true difference, not noise"
    return f"{_source(each.sd, tolerance_deg)}; standard deviation {interval}"


def _format_cuts(study: NestedStudy, tolerance_deg: float, named: set[str]) -> str:
    if "cut" not in named:
        return "one cut alone does not say how cuts differ; cut a few fresh pieces"
    n = cuts_to_average(study, tolerance_deg, SHARE_OF_TOLERANCE)
    floor = share_of_tolerance(study.sd_of("cut"), tolerance_deg)
    alone = f"; more photos of one cut leave at least {100 * floor:.0f} %" if floor > SHARE_OF_TOLERANCE else ""
    if n is None:
        return f"no number of cuts up to 99 brings the ± down to a quarter of the tolerance{alone}"
    if n == 1:
        return "one cut, photographed once, is enough: its ± takes at most a quarter of the tolerance"
    return f"{n} fresh cuts, one photo of each: the ± of their mean takes at most a quarter of the tolerance{alone}"


def _format_ratio(tolerance_deg: float) -> str:
    return (
        f"{tolerance_deg:.4f}°; up to a quarter of it is a good ± to judge by (common practice), beyond the whole of it"
        " no reading can show that the fence is inside"
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _source(sd: float, tolerance_deg: float) -> str:
    """Say a spread as the ± of one reading, and its one ratio: how much of the tolerance that takes."""
    share = share_of_tolerance(sd, tolerance_deg)
    return f"± {share * tolerance_deg:.4f}° (95 %), {100 * share:.0f} % of the tolerance"


def _photos(study: GaugeStudy, tolerance_deg: float) -> str:
    n = photos_to_average(study, tolerance_deg)
    if n is None:
        return "no number of photos brings chance down to a quarter of the tolerance; mend what spreads the readings"
    if n == 1:
        return "one photo is enough: chance takes less than a quarter of the tolerance"
    return f"average {n} photos of a piece: chance then takes at most a quarter of the tolerance"


def nested_json(study: NestedStudy, tolerance_deg: float) -> dict[str, Any]:
    """Write a nested study for JSON; standard deviations in degrees, shares of the tolerance as numbers."""
    return {
        "schema": 1,
        "kind": "nested",
        "readings": study.readings,
        "components": [
            {
                "sources": list(each.sources),
                "groups": each.groups,
                "dof": each.dof,
                "variance_deg2": each.variance,
                "sd_deg": each.sd,
                "low_deg": each.low,
                "high_deg": each.high,
                "share_of_tolerance": share_of_tolerance(each.sd, tolerance_deg),
            }
            for each in study.components
        ],
        "measuring_deg": study.sd_of("laying", "camera"),
        "one_cut_deg": study.sd_of("cut", "laying", "camera"),
        "cuts_to_average": cuts_to_average(study, tolerance_deg, SHARE_OF_TOLERANCE),
    }


def study_json(study: GaugeStudy, tolerance_deg: float) -> dict[str, Any]:
    """Write a study for JSON; standard deviations in degrees."""
    categories = study.distinct_categories
    return {
        "schema": 1,
        "pieces": study.pieces,
        "persons": study.persons,
        "trials": study.trials,
        "repeat_deg": study.repeat,
        "repeat_dof": study.repeat_dof,
        "person_deg": study.person,
        "interaction_deg": study.interaction,
        "gauge_deg": study.gauge,
        "piece_deg": study.piece,
        "total_deg": study.total,
        "share_of_tolerance": share_of_tolerance(study.gauge, tolerance_deg),
        "percent_of_tolerance": study.percent_of_tolerance(tolerance_deg),
        "distinct_categories": None if math.isinf(categories) else math.floor(categories),
        "photos_to_average": photos_to_average(study, tolerance_deg),
    }
