"""The JSON Schema in the package is current, and what every kind of result writes is valid by it."""

import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from tests.report.hand_made import SLED, corner_piece, strip
from visioncheck.codes import Question
from visioncheck.correction.correct import correct
from visioncheck.errors import InputError, Refusal, UserError
from visioncheck.fence.typed import compute_typed
from visioncheck.results.as_json import reading_json, refused_json, typed_json, withdrawn_json
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
FRESH = (
    CORNER,
    reading_json(strip()),
    reading_json(replace(corner_piece(), piece="panel")),
    reading_json(replace(strip(), piece="unknown", open_kinds=("strip",), question=Question("kind", ("strip",)))),
    refused_json("a.jpg", Refusal("narrow-slot", "a.jpg", what="slot", width_px=3.2, nearest_mm=300.0)),
    refused_json("a.jpg", InputError("cuts", "<cuts> is 1")),
    refused_json("a.jpg", UserError("a.jpg: there is no such file")),
    withdrawn_json(CORNER, "wrong board"),
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
