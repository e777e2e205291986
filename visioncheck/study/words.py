"""A gauge study in words, and the table of readings it is made from."""

from __future__ import annotations

import csv
import io
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from visioncheck.errors import UserError
from visioncheck.files import read_text
from visioncheck.present.line import LabelledLine
from visioncheck.study.gauge import GaugeStudy, photos_to_average

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from numpy.typing import NDArray

_LARGEST_FILE = 1_000_000


def read_readings(path: Path) -> NDArray[np.float64]:
    """Read a table of readings in degrees, ``piece,person,value`` (person may be missing).

    With semicolons between, as spreadsheets write it where the comma is the decimal sign, commas are taken for that.

    Returns
    -------
    (pieces, persons, trials) array

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
        if not {"piece", "value"} <= set(names):
            raise UserError(f"{path} needs the columns piece, person and value named in its first line")
        rows.fieldnames = names
        readings = [_row(row, rows.line_num, path) for row in rows]
    except csv.Error as error:
        raise UserError(f"{path} is no table of comma-separated values: {error}") from None
    return arrange(readings, str(path))


def _row(row: dict[str | Any, Any], line: int, path: Path) -> tuple[str, str, float]:
    if None in row:  # 0,011 has become two cells
        raise UserError(
            f"{path}, line {line}: has more values than the first line names; write decimals with a point, or "
            "semicolons between the columns"
        )
    try:
        value = float(row["value"].replace(",", ".") if row["value"].count(",") == 1 else row["value"])
    except (AttributeError, ValueError):
        value = math.nan
    piece = (row["piece"] or "").strip()
    if not math.isfinite(value) or not piece:
        raise UserError(f"{path}, line {line}: needs a piece and a number in degrees")
    return piece, (row.get("person") or "").strip(), value


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
    lines = [
        LabelledLine(
            "Study", f"{study.pieces} pieces, {_count(study.persons, 'person')}, {study.trials} readings of each"
        ),
        LabelledLine("Repeats", _source(study, study.repeat)),
    ]
    if study.persons > 1:
        lines += [LabelledLine("Persons", _source(study, study.person))]
    if study.interaction > 0:
        lines += [
            LabelledLine(
                "Both", f"{_source(study, study.interaction)}; persons differ on some pieces more than on others"
            )
        ]
    lines += [
        LabelledLine("Together", _source(study, study.gauge)),
        LabelledLine("Pieces", _source(study, study.piece)),
        LabelledLine("Told apart", _categories(study)),
        LabelledLine("Tolerance", f"± {tolerance_deg:.4f}°: six times the readings' spread takes "
             f"{study.percent_of_tolerance(tolerance_deg):.0f} % of its width"),
        LabelledLine("Photos", _photos(study, tolerance_deg)),
    ]  # fmt: skip
    return lines


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _source(study: GaugeStudy, part: float) -> str:
    return f"standard deviation {part:.4f}°, {study.percent_of_total(part):.0f} % of the whole spread"


def _categories(study: GaugeStudy) -> str:
    if math.isinf(study.distinct_categories):
        return "every piece, no spread in the readings"
    number = math.floor(study.distinct_categories)
    return f"{number if number > 1 else 'no'} distinct sorts of piece"


def _photos(study: GaugeStudy, tolerance_deg: float) -> str:
    n = photos_to_average(study, tolerance_deg)
    if n is None:
        return "no number of photos brings chance down to a quarter of the tolerance; mend what spreads the readings"
    if n == 1:
        return "one photo is enough: chance takes less than a quarter of the tolerance"
    return f"average {n} photos of a piece: chance then takes at most a quarter of the tolerance"


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
        "percent_of_tolerance": study.percent_of_tolerance(tolerance_deg),
        "distinct_categories": None if math.isinf(categories) else math.floor(categories),
        "photos_to_average": photos_to_average(study, tolerance_deg),
    }
