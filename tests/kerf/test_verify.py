"""A cut board against its plan."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from visioncheck.errors import UserError
from visioncheck.fence.decision import Verdict
from visioncheck.kerf.read_plan import load_plan
from visioncheck.kerf.verify import MeasuredGroove, verify
from visioncheck.present.verified import verified_json, verified_lines
from visioncheck.quantity import Quantity

PLAN = replace(
    load_plan(Path(__file__).parents[2] / "fixtures" / "plans" / "bookcase-side.toml"), tolerance_mm=0.25, units="mm"
)
PLINTH, MIDDLE = PLAN.grooves[:2]


def cut(groove, *, off=0.0, wider=0.0, u=0.02, edge="bottom", width_u=None):
    near, far = groove.at_mm + off, groove.at_mm + groove.width_mm + off + wider
    if edge == "top":
        near, far = PLAN.board_mm - far, PLAN.board_mm - near
    width = None if width_u is None else Quantity(far - near, width_u, "mm")
    return MeasuredGroove(edge, Quantity(near, u, "mm"), Quantity(far, u, "mm"), width)


def verdicts(verified):
    return [check.decision.verdict for check in verified.checks]


@pytest.mark.parametrize("edge", ["bottom", "top"])
def test_three_ways(edge):
    good, wide = verify(PLAN, [cut(MIDDLE, wider=0.6, edge=edge), cut(PLINTH, off=0.05, edge=edge)])
    assert (good.groove, wide.groove) == (PLINTH, MIDDLE)
    assert verdicts(good) == [Verdict.INSIDE] * 3
    # the extra width lies at the wall farther from the bottom edge
    walls = [Verdict.INSIDE, Verdict.OUTSIDE]
    assert verdicts(wide) == [*(walls if edge == "bottom" else walls[::-1]), Verdict.OUTSIDE]
    assert wide.checks[2].error.value == pytest.approx(0.6)


def test_on_the_limit_nothing_is_told():
    (one,) = verify(PLAN, [cut(PLINTH, off=0.25, u=0.05)])
    assert verdicts(one)[:2] == [Verdict.CANNOT_TELL] * 2
    assert one.checks[0].decision.probability_inside == pytest.approx(0.5, abs=0.01)


def test_the_width_keeps_its_own_uncertainty():
    (alone,) = verify(PLAN, [cut(PLINTH, u=0.3)])
    (known,) = verify(PLAN, [cut(PLINTH, u=0.3, width_u=0.02)])
    assert alone.checks[2].error.u == pytest.approx(0.3 * 2**0.5)
    assert verdicts(alone)[2] is Verdict.CANNOT_TELL
    assert verdicts(known)[2] is Verdict.INSIDE


def test_what_belongs_to_no_groove_is_refused():
    with pytest.raises(UserError, match="No groove of the plan"):
        verify(PLAN, [cut(PLINTH, off=40.0)])
    with pytest.raises(UserError, match="Two measured grooves"):
        verify(PLAN, [cut(PLINTH), cut(PLINTH, off=1.0)])
    with pytest.raises(UserError, match="no edge 'side'"):
        verify(PLAN, [replace(cut(PLINTH), edge="side")])


def test_report_and_json_name_what_was_not_measured():
    found = verify(PLAN, [cut(PLINTH, off=-0.6)])
    text = {line.label: line.text for line in verified_lines(PLAN, found, "bottom")}
    assert text["plinth, near wall"].startswith("OUTSIDE: 88.30 mm ± 0.039 mm, planned 88.90 mm, 0.600 mm too near")
    assert text["plinth, width"].startswith("inside")
    assert text["Not measured"] == "middle shelf, upper shelf"
    (one,) = verified_json(PLAN, found)["grooves"]
    assert [check["verdict"] for check in one["checks"]] == ["outside", "outside", "inside"]
