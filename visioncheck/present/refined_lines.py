"""A refined rig in lines: what it learnt from, and by how much it knows its sheet better."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from visioncheck.present.line import LabelledLine
from visioncheck.present.naming import NAMING, Door

if TYPE_CHECKING:
    from visioncheck.measuring.refine_rig import LeftOut, Refined

_NAMES = {"pair": ("quarter-turn pair", "quarter-turn pairs"), "panel": ("four-cut panel", "four-cut panels")}
_BEYOND = 3.0
"""Standard uncertainties by which a survey is seldom wrong."""


def refined_lines(found: Refined, log: str, door: Door = "command") -> list[LabelledLine]:
    """Say what was learnt; `log` is what the user calls the log."""
    count = Counter(kind for _, kind in found.used)
    parts = [f"{n} {_NAMES[kind][n > 1]}" for kind, n in count.items()]
    lines = [
        LabelledLine("Learnt from", f"{' and '.join(parts)} in {log}"),
        LabelledLine(
            "Sheet",
            f"its own right angles were known to ± {2 * found.u_before_deg:.4f}°, and are now to"
            f" ± {2 * found.u_after_deg:.4f}°",
        ),
        LabelledLine("Moved", f"the worst of them is now taken {found.moved_deg:.4f}° otherwise"),
    ]
    if found.moved_deg > _BEYOND * found.u_before_deg:
        lines.append(
            LabelledLine("Note", "that is more than the survey's ± let expect; survey the sheet again when you can")
        )
    lines += [LabelledLine("Left out", _left_out(each)) for each in found.left_out]
    lines.append(
        LabelledLine(
            "Readings",
            f"those in the log stay as they were; give the new file to {NAMING[door]('rig', None)} from now on",
        )
    )
    return lines


def _left_out(each: LeftOut) -> str:
    what = f"{_NAMES[each.kind][0]} {each.entry.file_name} ({each.entry.id[:8]})"
    if each.problem is not None:
        return f"{what}: {each.problem}"
    return f"{what}: contradicts the rig; was it one piece on the surveyed sheet, cut as said?"
