"""Verdict, chance, ± and advice agree, and every surface says the same: text, JSON, page, report, picture, table."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace

import pytest

from tests.report.hand_made import SLED, corner_piece
from visioncheck.batch.batch import Result
from visioncheck.batch.jobs import BatchPhoto
from visioncheck.batch.results import result_json, write_csv
from visioncheck.codes import Doubt
from visioncheck.correction.correct import correct
from visioncheck.fence.decision import Verdict
from visioncheck.fence.next_step import Basis
from visioncheck.present.correction import describe
from visioncheck.present.picture_caption import format_todo
from visioncheck.present.verdict import verdict_view
from visioncheck.quantity import Quantity
from visioncheck.results.advice import correction_json
from visioncheck.sled.model import Screw, Shims

ADJUSTERS = {
    "screw": Screw(1.0, "forward"),
    "coarse screw": Screw(5.0, "back"),
    "leaves": Shims((0.05, 0.1, 0.15, 0.2, 0.3, 0.5)),
    "thick leaves": Shims((1.0, 2.0)),
}
BASES = {
    "typed": Basis("strip"),
    "rig": Basis("corner", is_photo=True, shares={"edge": 0.8, "print survey": 0.2}),
    "no rig": Basis("corner", is_photo=True, is_surveyed=False, shares={"print survey": 0.99, "edge": 0.01}),
}
GRID = list(
    itertools.product(
        (0.0, 0.3, 0.7, 0.95, 1.0, 1.05, 1.5, 3.0, 15.0),  # size of the error, in tolerances
        (0.02, 0.1, 0.3, 0.6, 1.0, 5.0, 15.0),  # its standard uncertainty, in tolerances
        (math.inf, 4.0),
    )
)
MOVING = re.compile(r"\b(LEFT|RIGHT) end (FORWARD|BACK)")


@pytest.mark.parametrize(("tolerance", "sign"), [(0.01, 1), (0.0239, -1)])
@pytest.mark.parametrize("adjuster", ADJUSTERS)
@pytest.mark.parametrize("rested", BASES)
def test_all_surfaces_agree(tolerance, adjuster, rested, sign):
    sled = replace(SLED, tolerance_deg=tolerance, adjuster=ADJUSTERS[adjuster])
    basis = BASES[rested]
    for ratio, spread, dof in GRID:
        error = Quantity(sign * ratio * tolerance, spread * tolerance, "deg", dof)
        done = correct(error, sled, basis)
        _verdict_agrees_with_the_range(done, error, tolerance)
        _advice_follows(done, error)
        _words_agree(done, error, sled, basis)
        _data_agrees(done)


def _verdict_agrees_with_the_range(done, error, tolerance):
    low, high = error.value - error.expanded(), error.value + error.expanded()
    inside = -tolerance <= low + 1e-15 and high - 1e-15 <= tolerance
    outside = low > tolerance or high < -tolerance
    assert (done.now.verdict is Verdict.INSIDE) == inside
    assert (done.now.verdict is Verdict.OUTSIDE) == outside
    if inside:
        assert done.now.probability_inside >= 0.949  # the integer look-up of degrees of freedom apart
    if outside:
        assert done.now.probability_inside <= 0.026


def _advice_follows(done, error):
    assert (done.advice == "leave it") == (done.now.probability_inside >= 0.95)
    if done.now.verdict is Verdict.INSIDE and math.isinf(error.dof):
        assert done.advice == "leave it"
    if done.moves:
        assert done.probability_better >= 0.95
        assert abs(error.value) > error.expanded()
        assert done.means.made_mm > 0
        assert abs(done.after.value) < abs(error.value)
    assert (done.next_step is None) or done.advice == "measure again"


def _words_agree(done, error, sled, basis):
    for door in ("command", "page"):
        lines = describe(error, sled, basis, door)
        said = {line.label: line.text for line in lines}
        everything = " ".join(line.text for line in lines)
        # a move is named where it is advised, and nowhere else
        assert bool(MOVING.search(everything)) == done.moves
        assert ("Move" in said) == ("With" in said) == ("After" in said) == ("How" in said) == done.moves
        assert said["Do"].startswith("move the fence") == done.moves
        assert ("too little to say which way" in said["Fence"]) == (abs(error.value) <= error.expanded())
        assert "as you like" not in everything
        view = verdict_view(error, sled, basis=basis, door=door)
        assert view.tone == {"inside": "inside", "outside": "outside", "cannot tell": "open"}[done.now.verdict]
        assert (view.word == "Can’t tell yet") == (view.tone == "open" and done.advice == "measure again")
        assert view.chance.removeprefix("chance") in said["Verdict"]
        assert view.lines == tuple(lines)
        if door == "page":
            assert not re.search(r"--\w|visioncheck \w", everything)
    todo = format_todo(done, sled)
    assert bool(re.search(r"end (FORWARD|BACK)", todo)) == done.moves
    assert view.chance.removeprefix("chance of being inside: ") in todo
    if done.moves:
        # the ± stands beside the move, in the same line
        assert re.search(r"by [\d.]+ ± [\d.]+ mm", todo)
        assert re.search(r"by [\d.]+ ± [\d.]+ mm", said["Move"])


def _data_agrees(done):
    found = correction_json(done)
    assert ("move_mm" in found) == ("end" in found) == (found["advice"] == "move it") == done.moves
    assert found["probability_inside"] == done.now.probability_inside
    for counts in (True, False):
        reading = {"fence_error_deg": {"value": done.error.value}, "correction": found}
        result = Result(BatchPhoto("a.jpg", None, ""), "measured", reading, "Long sled", "abc", counts=counts)
        assert ("end" in result_json(result)["correction"]) == (done.moves and counts)
        row = dict(zip(*(line.split(",") for line in write_csv([result]).splitlines()), strict=True))
        assert bool(row["end"]) == bool(row["move_mm"]) == (done.moves and counts)
        assert row["verdict"] == done.now.verdict.value
        assert float(row["probability_inside"]) == done.now.probability_inside


def test_the_reading_that_doubled_an_error_names_no_move():
    # read without a survey as 0.256° ± 0.251° where the truth was 0.085°
    piece = replace(corner_piece(), fence_error=Quantity(0.256, 0.128, "deg"), doubts=(Doubt("no-rig"),))
    done = correct(piece.fence_error, SLED, BASES["no rig"])
    assert done.advice == "measure again"
    assert done.next_step.code in {"quarter turn", "survey"}
    assert done.next_step.expanded_deg < 0.06
