"""A survey in lines: what the print and the lens are like."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from visioncheck.camera.support import FAIR_ANGLE_U_DEG, STEADY
from visioncheck.present.line import LabelledLine
from visioncheck.present.naming import NAMING, Door, error_sentence

if TYPE_CHECKING:
    from visioncheck.camera.rig import Rig
    from visioncheck.camera.survey import Survey
    from visioncheck.measuring.sheets import Surveyed

_PRINTED_FLAT_MM = 0.15
"""A local error above it is worth a word: a good print's are a third of it; common practice, no source."""

_CALM_SHIFT_MM, _CALM_TURN_RAD = 0.06, 0.00015
_HANDS = ((0.6, "very steady"), (1.7, "a calm hand"), (4.0, "held in the hand"), (math.inf, "a shaky hand"))
"""What a hand is called, by its movement over a calm hand's; sizes are an assumption."""
_WORTH_STEADYING = 2.0
MISFIT = (
    "shows too little of sheet 0, or does not agree with all the others (another zoom, an edited photo, a sheet moved)"
)
"""Of a photo that the survey left out."""


def survey_lines(found: Survey, rig: Rig, door: Door = "command") -> list[LabelledLine]:
    """Say what was found, the print first: that is what the user can do something about."""
    across, down = 100 * (found.print_scale - 1)
    local = float(np.linalg.norm(found.local_mm, axis=1).max())
    known = 100 * 2 * found.scale_u_rel
    lines = [
        LabelledLine("Print", f"{across:+.2f} % across, {down:+.2f} % down (scale known to ± {known:.2g} %)"),
        LabelledLine("", f"corners off square by {abs(found.shear_deg):.3f}°; rest at most {local:.2f} mm"),
        LabelledLine("Lens", f"focal length {found.lens.f_px:.1f} ± {2 * found.lens_u[0]:.1f} px, {_beyond(found)}"),
        LabelledLine("Points", f"{len(found.index)} surveyed, residual {found.residual_px:.3f} px"),
        LabelledLine("Photos", f"tilted {found.tilts_deg.min():.0f}° to {found.tilts_deg.max():.0f}°"),
        LabelledLine("Hand", _hand(found)),
        LabelledLine("Angles", f"the sheet's own right angles are known to ± {2 * found.angle_u_deg:.2g}°"),
    ]
    if local > _PRINTED_FLAT_MM:
        lines.append(
            LabelledLine("Note", "the print is uneven; it is measured and allowed for, but glue the sheet down flat")
        )
    if rig.ruled_mm is None:
        lines.append(
            LabelledLine(
                "Note",
                f"lengths rest on the page as laid out; give {NAMING[door]('ruled', None)} for lengths to trust"
                " (angles need none)",
            )
        )
    if found.advice:
        lines.append(LabelledLine("Better", found.advice))
    elif found.angle_u_deg > _WORTH_STEADYING * found.angle_u_rested_deg and found.angle_u_deg > FAIR_ANGLE_U_DEG:
        lines.append(LabelledLine("Better", _steadier(found, rig.photos)))
    return lines


def format_left_out(surveyed: Surveyed, door: Door) -> list[str]:
    """Name the photos that were not used, each with the reason."""
    unread = [error_sentence(refusal, door) for refusal in surveyed.unread]
    return [*unread, *(f"{name}: {MISFIT}" for name in surveyed.left_out)]


def _hand(found: Survey) -> str:
    """Say how steady the photos were, in a word and in numbers."""
    at = found.steadiness
    worst = max(at.shift_mm / _CALM_SHIFT_MM, at.turn_rad / _CALM_TURN_RAD)
    word = next(word for most, word in _HANDS if worst <= most)
    return (
        f"{word}: while a photo was read the phone drifted by {at.shift_mm:.2f} mm and turned by"
        f" {math.degrees(at.turn_rad):.3f}°; from photo to photo the lens's axis moved by {at.centre_px:.1f} px"
        " (typical values)"
    )


def _steadier(found: Survey, photos: int) -> str:
    """Say what more photos and what a rest would bring."""
    more = 2 * found.angle_u_deg / math.sqrt(2)
    return (
        f"{photos} more photos, half of them from straight above and the phone turned by quarter turns, would bring"
        f" this to about ± {more:.2g}°; {STEADY}: then about ± {2 * found.angle_u_rested_deg:.2g}° if the phone's"
        " stabiliser keeps still too"
    )


def _beyond(found: Survey) -> str:
    """Say what the lens does beyond the usual model."""
    parts = []
    if found.lens.smooth.shape[1]:
        parts.append("a smooth correction beyond the usual distortion")
    if any(found.lens.lateral):
        blue, _, red = (1e6 * rate for rate in found.lens.lateral)
        parts.append(f"colour fringes (blue {blue:+.0f}, red {red:+.0f} millionths of the radius)")
    return " and ".join(parts) if parts else "usual distortion"
