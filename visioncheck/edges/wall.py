"""One wall of a wide slot, on its own: where the top face ends, and how broad the wall's side face shows below it.

A wall that leans out of sight (the one nearer the camera) is an edge of wood beside whatever lies in the slot. Of the
other one the side face shows, in its own shade, and beyond the line where it meets the table or the groove's floor
that floor: three bands of light, of which the first step alone is the arris.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.view import View
from visioncheck.edges.edge_spread import EdgeSpread, best_spread
from visioncheck.edges.light_rows import FLANK_PX, LightRows, pixel_mm, read_light_rows
from visioncheck.edges.sampling import Picture
from visioncheck.edges.side_face import SideFace, away_mm
from visioncheck.edges.tone import Tone, tone_shift
from visioncheck.edges.trace import Trace, through, trace_near
from visioncheck.edges.wall_model import (
    ARRIS,
    FLOOR,
    MEETS,
    SIDE,
    WOOD,
    WallFit,
    WallModel,
    choose_wall_model,
    fit_wall,
    wall_noise,
)
from visioncheck.outline.guide import Guide

Array = NDArray[np.float64]

_HIDDEN_PX = 0.3
"""A side face narrower than this does not show."""
_BROADER = 2.0
"""Side faces are looked for up to this many times as broad as the thickness says, so that a wrong one shows."""
_SOME_ROWS = 80
_RECESS_GAIN = 1.0


@dataclass(frozen=True)
class WallTrace:
    """One wall; `trace.outward` is into the slot.

    Attributes
    ----------
    trace : Trace
    noise_mm : float
        Standard uncertainty of one station's place from the picture's noise alone (median).
    tone_mm : float
        How far the wall moves when the exponent of the tone curve is 1 higher.
    hidden_mm : float
        How far it could be mistaken for a side face that is too thin to be seen apart.
    side : SideFace or None
        None where no side face shows, or not where it ends.
    """

    trace: Trace
    noise_mm: float
    tone_mm: float
    hidden_mm: float
    side: SideFace | None


def trace_wall(
    bgr: Picture, view: View, wall: Guide, reach_mm: float, tone: Tone, thickness_mm: float
) -> WallTrace | None:
    """Trace the wall near a guide whose normal points into the slot.

    Parameters
    ----------
    reach_mm : float
        How far into the slot nothing but side face and floor is met.
    tone : Tone
        Of the photo.
    thickness_mm : float
        Of the work, as told.

    Returns
    -------
    WallTrace or None
        None where no wall stands out.
    """
    side_mm = max(0.0, away_mm(view, wall) * thickness_mm / view.height_mm)
    found = trace_near(bgr, view, wall)
    if found is None:
        return None
    if side_mm < _HIDDEN_PX * found.pixel_mm:
        noise = float(np.median(found.weights**-0.5)) * found.pixel_mm
        return WallTrace(found, noise, 0.0, side_mm, None)
    return _with_side_face(bgr, view, through(found, wall), (side_mm, reach_mm), tone)


def _with_side_face(
    bgr: Picture, view: View, wall: Guide, side_and_reach_mm: tuple[float, float], tone: Tone
) -> WallTrace | None:
    away = away_mm(view, wall)
    pixel = pixel_mm(view, wall)
    side_px, reach_px = (each / pixel for each in side_and_reach_mm)
    reach_px = min(_BROADER * side_px + FLANK_PX + 2, reach_px)
    rows = read_light_rows(bgr, view, wall, reach_px + 1, tone)
    if len(rows.at_mm) < checks.WALL_LEAST_STATIONS:
        return None
    some = rows.about(_SOME_ROWS)
    model, spread = choose_wall_model(some, side_px, reach_px)
    fit = fit_wall(rows, model, spread)
    if model.floor and not model.fixed:
        # again with the side face as broad as it was found
        model = replace(model, side_px=float(np.median(fit.terms[:, MEETS] - fit.terms[:, ARRIS])))
    spread, _ = best_spread(lambda s: fit_wall(some, model, s).misfit, spread)
    fit = fit_wall(rows, model, spread, steady=True)
    return _traced(rows, fit, model, spread, (wall, away))


def _traced(
    rows: LightRows, fit: WallFit, model: WallModel, spread: EdgeSpread, wall_and_away: tuple[Guide, float]
) -> WallTrace | None:
    wall, away = wall_and_away
    arris = fit.terms[:, ARRIS]
    misfit = np.sqrt(np.mean(fit.residual**2, axis=1))
    steps = fit.terms[:, WOOD] - fit.terms[:, SIDE]
    usual = float(np.median(steps))
    good = (np.abs(arris - np.median(arris)) < FLANK_PX / 2) & (misfit < checks.WALL_WORST_MISFIT * np.median(misfit))
    good &= steps / usual > checks.WALL_LEAST_STEP
    if usual <= 0 or good.sum() < checks.WALL_LEAST_STATIONS:
        return None
    pixel = rows.pixel_mm
    levels = np.median(fit.terms[good], axis=0)
    trace = Trace(
        points_mm=wall.points(rows.at_mm[good], arris[good] * rows.scale_mm[good]),
        weights=1 / fit.u_px[good] ** 2,
        contrast=usual / wall_noise(rows),
        blur_px=spread.blur_px,
        pixel_mm=pixel,
        outward=wall.normal,
        arris_clear=True,
        recess_gain=_RECESS_GAIN,
    )
    thin = model.side_px * abs(levels[FLOOR] - levels[SIDE]) / max(abs(levels[WOOD] - levels[FLOOR]), 1e-3)
    steepness = float(spread.slope(np.zeros(1))[0])
    return WallTrace(
        trace=trace,
        noise_mm=float(np.median(fit.u_px[good])) * pixel,
        tone_mm=tone_shift(levels[WOOD], levels[SIDE]) / steepness * pixel,
        hidden_mm=float(thin) * pixel if model.fixed else 0.0,
        side=_side_face(rows, fit.terms[good], model, away) if model.floor and not model.fixed else None,
    )


def _side_face(rows: LightRows, terms: Array, model: WallModel, away: float) -> SideFace:
    breadth = float(np.median(terms[:, MEETS] - terms[:, ARRIS]))
    floor = (rows.offsets > breadth + 2.5) & (rows.offsets < min(breadth + FLANK_PX, model.reach_px))
    wood = (rows.offsets < -3) & (rows.offsets > -FLANK_PX)
    tint = float(np.median(rows.tint[floor]) - np.median(rows.tint[wood])) if floor.any() else 0.0
    return SideFace(breadth * rows.pixel_mm, away, tint, float(np.median(terms[:, FLOOR])))
