"""The blade's tilt in words: how far, which way, and how far to turn it back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck import checks
from visioncheck.fence.decision import Verdict
from visioncheck.fence.tilt import TiltAdvice, advise, offset_at
from visioncheck.present.correction import both_units, percent, with_range
from visioncheck.present.line import LabelledLine
from visioncheck.present.mitre import format_nominal
from visioncheck.units import format_run

if TYPE_CHECKING:
    from visioncheck.quantity import Quantity
    from visioncheck.sled.model import Sled
    from visioncheck.units import UnitWorld

TILT_CAUTIONS = (
    "Unplug the saw before you touch the blade or its stop.",
    "Turn the blade round once by hand afterwards: tilted otherwise, it may touch the insert, the guard or the knife.",
    "Guard and riving knife stay on for the test cut; no small pieces, and tall ones are held upright by a block.",
)
"""Common practice, and the saw's manual comes first."""
_VERDICTS = {
    Verdict.INSIDE: "inside the tolerance",
    Verdict.OUTSIDE: "outside the tolerance",
    Verdict.CANNOT_TELL: "can't tell whether inside the tolerance",
}
_USUAL_HEIGHT_MM = 100.0


def tilt_tolerance(sled: Sled | None) -> float:
    """Largest tilt to live with, deg."""
    return sled.tilt_tolerance_deg if sled else checks.TILT_TOLERANCE_DEG


def format_tilt(tilt: Quantity) -> str:
    """Say a tilt in short: ``0.310 ± 0.080°, the top leans to the RIGHT``."""
    return f"{abs(tilt.value):.3f} ± {tilt.expanded():.3f}°, {format_lean(advise(tilt, 1.0))}"


def format_lean(advice: TiltAdvice) -> str:
    """Say which way the blade leans, or that it does not show."""
    if advice.lean is None:
        return "too little to say which way the blade leans"
    return f"the blade's top leans to the {advice.lean.upper()}"


def tilt_lines(tilt: Quantity, sled: Sled | None, height_mm: float = 0.0) -> list[LabelledLine]:
    """Say a tilt and what to do about it; seen by the operator, and with no word of the fence.

    Parameters
    ----------
    tilt : Quantity
        deg, positive where the blade's top leans to the right.
    sled : Sled or None
        Gives the tolerance and the units.
    height_mm : float
        Of the cut that it was read from; 0 where that is not known.
    """
    units: UnitWorld = sled.units if sled else "mm"
    height = float(round(height_mm)) or _USUAL_HEIGHT_MM
    tolerance = tilt_tolerance(sled)
    advice = advise(tilt, tolerance)
    aside = both_units(abs(offset_at(tilt, height).value), units)
    chance = percent(advice.decision.probability_inside)
    verdict = f"{_VERDICTS[advice.decision.verdict]} of ± {format_nominal(tolerance)}; chance of being inside: {chance}"
    cautions = TILT_CAUTIONS if advice.advice == "turn it back" else ()
    return [
        LabelledLine("Tilt", f"{format_tilt(tilt)}: {aside} aside at {format_run(height, units)} above the table"),
        LabelledLine("Verdict", verdict),
        LabelledLine("Do", _format_advice(advice, tilt, height, units)),
        *(LabelledLine("Caution", caution) for caution in cautions),
    ]


def tilt_question_lines(size: Quantity | None) -> list[LabelledLine]:
    """Say the size of a tilt alone."""
    return [] if size is None else [LabelledLine("Tilt", f"{size.value:.3f} ± {size.expanded():.3f}°, either way")]


def _format_advice(advice: TiltAdvice, tilt: Quantity, height_mm: float, units: UnitWorld) -> str:
    if advice.advice == "leave it":
        return "leave the blade's tilt as it is"
    if advice.advice == "measure again":
        return (
            "leave the blade's tilt until more is known: cut a taller piece (twice the height halves the ±), or turn"
            " one half of the cut over and butt both, which shows twice the tilt"
        )
    aside = offset_at(tilt, height_mm)
    far = with_range(aside if tilt.value > 0 else aside.scaled(-1.0, "mm"), units)
    way = "LEFT" if tilt.value > 0 else "RIGHT"
    return (
        f"unplug the saw, then tilt the blade's top to the {way} by {abs(tilt.value):.2f}° ({far} at"
        f" {format_run(height_mm, units)} above the table) and set its stop there; then cut and measure a fresh piece"
    )
