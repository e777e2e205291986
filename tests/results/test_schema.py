"""The JSON Schema in the package is current, and what every kind of result writes is valid by it."""

import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from tests.report.hand_made import SLED, corner_piece, strip
from visioncheck.codes import Doubt, Question
from visioncheck.correction.correct import correct
from visioncheck.errors import InputError, Refusal, UserError
from visioncheck.fence.typed import compute_typed
from visioncheck.quantity import Quantity
from visioncheck.results.as_json import reading_json, refused_json, typed_json, withdrawn_json
from visioncheck.results.from_json import result_from_json
from visioncheck.results.model import (
    WithdrawnResult,
    asked,
    blade_tilt,
    error_size,
    middle_width,
    result_from_problem,
    result_from_reading,
    signed_error,
)
from visioncheck.results.schema import SCHEMA_FILE, schema_text, validate
from visioncheck.results.schema_1 import brought_up

OLD_LOG = Path(__file__).parents[2] / "fixtures" / "log-schema-1" / "log.sqlite"
CORNER = reading_json(corner_piece(), correct(corner_piece().fence_error, SLED))
TYPED = (
    {"angle": "90.1"},
    {"taper": "0.2deg"},
    {"corners": "90.02,90.02,90.02,89.94"},
    {"rear": "26.1mm", "front": "26mm", "length": "580mm"},
    {"wedge": "0.2deg", "turned": "left", "opens": "far"},
)
NARROW = Refusal("narrow-slot", "a.jpg", what="slot", width_px=3.2, nearest_mm=300.0)
FRESH = (
    CORNER,
    reading_json(strip()),
    reading_json(replace(corner_piece(), piece="panel")),
    reading_json(replace(strip(), piece="unknown", open_kinds=("strip",), question=Question("kind", ("strip",)))),
    refused_json(result_from_problem("a.jpg", NARROW)),
    refused_json(result_from_problem("a.jpg", InputError("cuts", "<cuts> is 1"))),
    refused_json(result_from_problem("a.jpg", UserError("there is no such file").of("a.jpg"))),
    withdrawn_json(WithdrawnResult("wrong board", "a.jpg")),
    *(typed_json(compute_typed(given), SLED) for given in TYPED),
)


def old_readings():
    with sqlite3.connect(f"file:{OLD_LOG}?mode=ro&immutable=1", uri=True) as connection:
        rows = connection.execute("SELECT reading_json FROM entry").fetchall()
    connection.close()
    return [json.loads(row[0]) for row in rows]


def test_the_file_is_current():
    """Write it anew with: python -m visioncheck.results.schema."""
    assert SCHEMA_FILE.read_text("utf-8") == schema_text()


@pytest.mark.parametrize("found", FRESH, ids=lambda found: found["kind"])
def test_what_is_written_is_valid(found):
    validate(json.loads(json.dumps(found, allow_nan=False)))


@pytest.mark.parametrize("piece", ["corner", "panel", "strip", "slot", "gap", "bevel", "unknown"])
def test_a_piece_comes_back_from_its_json_as_it_was(piece):
    seen = (Doubt("tilt", {"tilt_deg": 41.5}),)
    tilt = Quantity(0.2, 0.05, "deg") if piece == "bevel" else None
    reading = replace(
        strip(), piece=piece, tilt=tilt, open_kinds=("strip", "gap") if piece == "unknown" else (), doubts=seen
    )
    if piece == "bevel":  # of the blade, not of the fence
        reading = replace(reading, fence_error_size=None)
    fresh = result_from_reading(reading)
    back = result_from_json(json.loads(json.dumps(reading_json(reading))))
    assert type(back) is type(fresh)
    assert back == fresh
    assert back.kind == piece
    assert blade_tilt(back) == tilt
    assert asked(back) == reading.question
    assert middle_width(back) == (reading.widths[1].width if piece in {"slot", "gap"} else None)
    assert (signed_error(back), error_size(back)) == (reading.fence_error, reading.fence_error_size)


def test_what_is_no_piece_comes_back_from_its_json_as_it_was():
    refused = result_from_problem("a.jpg", NARROW)
    back = result_from_json(refused_json(refused))
    assert (back.photo, back.refusal.code, back.refusal.fields) == ("a.jpg", NARROW.code, NARROW.fields)
    for told in (InputError("cuts", "<cuts> is 1"), UserError("there is no such file").of("a.jpg")):
        refused = result_from_problem("a.jpg", told)
        assert result_from_json(refused_json(refused)) == refused
    withdrawn = WithdrawnResult("wrong board", "a.jpg")
    assert result_from_json(withdrawn_json(withdrawn)) == withdrawn
    for given in TYPED:
        result = compute_typed(given)
        typed = result_from_json(json.loads(json.dumps(typed_json(result, SLED))))
        assert (typed.kind, typed.question, typed.notes) == ("typed", result.question, tuple(result.notes))
        assert typed.fence_error.value == pytest.approx(result.error.value)
        assert (signed_error(typed) is None) == (error_size(typed) is not None) == (result.question is not None)


def test_old_logs_give_every_kind():
    kinds = {result_from_json(brought_up(found)).kind for found in old_readings()}
    assert kinds == {"corner", "panel", "strip", "slot", "gap", "typed", "withdrawn"}


def test_every_kind_of_an_old_log_is_valid_once_brought_up():
    read = [brought_up(found) for found in old_readings()]
    assert {found["kind"] for found in read} == {"corner", "panel", "strip", "slot", "gap", "typed", "withdrawn"}
    for found in read:
        validate(found)


@pytest.mark.parametrize(
    "change",
    [{"schema": 1}, {"kind": "disc"}, {"flags": ["odd"]}, {"fence_error_deg": {"value": 1.0}}, {"corners": [{}]}],
)
def test_what_is_none_is_told(change):
    with pytest.raises(ValueError, match="validation error"):
        validate(CORNER | change)
