"""A survey in lines: what the print and the lens are like."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from visioncheck.correction.words import Line

if TYPE_CHECKING:
    from visioncheck.camera.rig import Rig
    from visioncheck.camera.survey import Survey

_PRINTED_FLAT_MM = 0.15
"""A local error above it is worth a word: a good print's are a third of it; common practice, no source."""


def survey_lines(found: Survey, rig: Rig) -> list[Line]:
    """Say what was found, the print first: that is what the user can do something about."""
    across, down = 100 * (found.print_scale - 1)
    local = float(np.linalg.norm(found.local_mm, axis=1).max())
    known = 100 * 2 * found.scale_u_rel
    lines = [
        Line("Print", f"{across:+.2f} % across, {down:+.2f} % down (scale known to ± {known:.2g} %)"),
        Line("", f"corners off square by {abs(found.shear_deg):.3f}°; rest at most {local:.2f} mm"),
        Line("Lens", f"focal length {found.lens.f_px:.1f} ± {2 * found.lens_u[0]:.1f} px, {_beyond(found)}"),
        Line("Points", f"{len(found.index)} surveyed, residual {found.residual_px:.3f} px"),
        Line(
            "Photos",
            f"tilted {found.tilts_deg.min():.0f}° to {found.tilts_deg.max():.0f}°; the sheet's own right angles are"
            f" known to ± {2 * found.angle_u_deg:.4f}°",
        ),
    ]
    if local > _PRINTED_FLAT_MM:
        lines.append(Line("Note", "the print is uneven; it is measured and allowed for, but glue the sheet down flat"))
    if rig.ruled_mm is None:
        lines.append(
            Line("Note", "lengths rest on the page as laid out; give --ruled for lengths to trust (angles need none)")
        )
    if found.advice:
        lines.append(Line("Better", found.advice))
    return lines


def _beyond(found: Survey) -> str:
    """Say what the lens does beyond the usual model."""
    parts = []
    if found.lens.smooth.shape[1]:
        parts.append("a smooth correction beyond the usual distortion")
    if any(found.lens.lateral):
        blue, _, red = (1e6 * rate for rate in found.lens.lateral)
        parts.append(f"colour fringes (blue {blue:+.0f}, red {red:+.0f} millionths of the radius)")
    return " and ".join(parts) if parts else "usual distortion"
