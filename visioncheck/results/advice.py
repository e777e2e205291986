"""A correction for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from visioncheck.correction.means import Turns
from visioncheck.results.numbers import quantity_json

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.correction.correct import Correction


def correction_json(correction: Correction) -> dict[str, Any]:
    """Write a correction for JSON: lengths in mm, angles in degrees; a move where one is advised, and nowhere else."""
    found: dict[str, Any] = {
        "advice": correction.advice,
        "verdict": correction.now.verdict.value,
        "probability_inside": correction.now.probability_inside,
    }
    if correction.moves:
        found |= _move_json(correction)
    if correction.next_step is not None:
        step = correction.next_step
        found["next_step"] = {
            "code": step.code,
            "count": step.count,
            "expanded_deg": step.expanded_deg,
            "probability_decides": step.probability_decides,
        }
    return found


def without_move(found: Mapping[str, Any]) -> dict[str, Any]:
    """Take the order to move out of a correction's JSON: of a reading that does not count any more, how it stood."""
    kept = {key: found[key] for key in ("verdict", "probability_inside") if key in found}
    return {"advice": "see the newest reading"} | kept


def _move_json(correction: Correction) -> dict[str, Any]:
    means = correction.means
    made: dict[str, Any]
    if isinstance(means, Turns):
        made = {"turns": float(means.turns), "way_round": means.way_round}
        if len(means.all_steps) > 1:
            made["steps"] = [{"turns": float(each.turns), "way_round": each.way_round} for each in means.all_steps]
    else:
        made = {"passes_mm": [list(stack.leaves_mm) for stack in means.stacks]}
        made |= {} if means.buy_mm is None else {"buy_mm": means.buy_mm}
    return {
        "end": correction.end,
        "way": correction.way,
        "move_mm": quantity_json(correction.move),
        **made,
        "left_over_mm": correction.left_over_mm,
        "after_deg": quantity_json(correction.after),
        "verdict_after": correction.then.verdict.value,
        "probability_inside_after": correction.then.probability_inside,
        "probability_better": correction.probability_better,
    }
