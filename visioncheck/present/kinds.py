"""The kinds of test piece in words: the question which one it is, and why it is not the one that was told."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.fence.kind import KindWeights
    from visioncheck.outline.seam import Seam

KIND_WORDS = {
    "corner": "an offcut with one fresh cut",
    "panel": "a panel cut all round",
    "strip": "the strip of successive cuts",
    "slot": "a board with a saw slot",
    "gap": "two halves of one cut, butted",
}
_OPTIONS = {"strip": "--cuts, 5 for a panel cut all round"}
_NOT_SO_LONG = {
    "strip": "and a strip is at least twice as long as it is wide",
    "panel": "too narrow for a panel cut all round",
}
_RUB_OUT = "If it is only drawn, rub it out and shoot again"


def which_kind_words(kinds: Sequence[str], seam: Seam | None) -> str:
    """Ask which of several kinds a piece is, and name what answers."""
    choices = [f"{KIND_WORDS[kind]} (say {_OPTIONS.get(kind, f'--piece {kind}')})" for kind in kinds]
    question = f"Is this {', '.join(choices[:-1])} or {choices[-1]}?"
    if seam is None:
        return f"{question} The photo alone does not tell."
    return f"{question} {seam_words(seam)}.{f' {_RUB_OUT}.' if seam.crosses else ''}"


def seam_words(seam: Seam) -> str:
    """Say what runs into the piece."""
    how_far = "from edge to edge through" if seam.crosses else f"{seam.length_mm:.0f} mm into"
    return f"A straight line runs {how_far} the piece, as a slot or a gap does"


def two_halves_words(told: str, seam: Seam) -> str:
    """Say why what a line runs all through is not of the kind that was told."""
    return (
        f"{seam_words(seam)}, so this is not {KIND_WORDS[told]}; measure two butted halves together (--piece gap)."
        f" {_RUB_OUT}."
    )


def not_this_kind_words(told: str, weights: KindWeights, lengths_mm: Sequence[float], *, first_known: bool) -> str:
    """Say why a piece is not of the kind that was told, and what it looks like instead."""
    if told not in weights.probability:
        long, wide = sorted(((lengths_mm[k] + lengths_mm[k + 2]) / 2 for k in range(2)), reverse=True)
        why = f"the piece is {long:.0f} by {wide:.0f} mm, {_NOT_SO_LONG[told]}"
    elif told == "panel" and weights.panel_chance < weights.probability["panel"]:
        why = (
            f"no four cuts with one fence error{', the one at the edge named first,' if first_known else ''} make these"
            f" corners (misfit chance {_percent(weights.panel_chance)})"
        )
    else:
        why = f"its corners are hardly those of {KIND_WORDS[told]} (chance {_percent(weights.probability[told])})"
    others = {kind: p for kind, p in weights.probability.items() if kind != told}
    best = max(others, key=lambda kind: others[kind])
    return (
        f"{why}; it looks like {KIND_WORDS[best]} (--piece {best}). If it is none, see that its edges are straight and"
        " clean, or cut a fresh piece."
    )


def _percent(chance: float) -> str:
    return f"{100 * chance:.0f} %" if chance >= 0.01 else "under 1 %"
