"""Both walls of a slot at once: stations along it, each fitted as blurred steps from wood into the slot and out again.

Seen from the camera's side a slot shows, from its near wall to its far one: wood, then (where the slot is wide enough
for it) what lies on the floor, then the far wall's side face in its own shade, then wood. The near wall's arris is the
first of these steps and the far wall's the last; the step between floor and side face is where the far wall meets
the table, and is no arris at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from visioncheck import checks
from visioncheck.camera.view import View
from visioncheck.edges.edge_spread import EdgeSpread
from visioncheck.edges.light_rows import DARK_FLOOR, FLANK_PX, Flags, LightRows, pixel_mm, read_light_rows, row_medians
from visioncheck.edges.sampling import Picture
from visioncheck.edges.side_face import SideFace, away_mm
from visioncheck.edges.slot_model import (
    FAR,
    FLOOR,
    MEETS,
    NEAR,
    SIDE,
    WOOD_FAR,
    WOOD_NEAR,
    SlotFit,
    SlotModel,
    best_slot_spread,
    choose_model,
    fit_slot,
    hidden_px,
    left_over_px,
    slot_noise,
    unseen_floor_px,
)
from visioncheck.edges.slot_rough import moved_onto, rough_walls
from visioncheck.edges.tone import Tone, tone_shift
from visioncheck.edges.trace import Trace
from visioncheck.outline.guide import Guide
from visioncheck.outline.slot import RoughSlot

Array = NDArray[np.float64]

_SOME_ROWS = 120
_RECESS_GAIN = 1.0
"""As beside paper. A slot is dark, as a recess is, but for a floor that shows."""


@dataclass(frozen=True)
class SlotTrace:
    """Both walls of a slot, on the plane of the paper.

    Attributes
    ----------
    near, far : Trace
        The wall towards the camera and the one away from it; outward is into the wood. Stations go pairwise.
    width_px : (n,) ndarray
        Width at the stations, px.
    noise_mm : float
        Standard uncertainty of one station's place from the picture's noise alone (median).
    tone_mm : float
        How far each wall moves, into the slot or out of it, when the exponent of the tone curve is 1 higher.
    hidden_mm : float
        How far a wall could be mistaken for what is too thin to be seen apart: a side face, or a floor.
    floor_seen : bool
        Whether what lies under the slot shows beside the near wall and differs from the far wall's side face.
    wall_mm : float
        Standard uncertainty of each wall's place, into the slot or out of it alike, beside those above.
    sides : tuple of SideFace
        The side faces whose lower end is seen.
    """

    near: Trace
    far: Trace
    width_px: Array
    noise_mm: float
    tone_mm: float
    hidden_mm: float
    floor_seen: bool
    wall_mm: float = 0.0
    sides: tuple[SideFace, ...] = ()


def trace_slot(bgr: Picture, view: View, found: RoughSlot, tone: Tone, thickness_mm: float) -> SlotTrace | None:
    """Trace both walls of a slot that was found, in work of about `thickness_mm`.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 ndarray
        The photo as stored.
    found : RoughSlot
        On the plane of the paper.
    tone : Tone
        Of the photo.

    Returns
    -------
    SlotTrace or None
        None where no two walls stand out.
    """
    rough = rough_walls(bgr, view, found)
    if rough is None:
        return None
    far, width = rough
    middle = _beside(far, -width / 2)
    rows = _rows_across(bgr, view, middle, width, tone)
    if rows is None:
        return None
    sides = _side_faces_mm(view, far, width, thickness_mm) / rows.pixel_mm
    model, spread = choose_model(rows.about(_SOME_ROWS), width / rows.pixel_mm, sides)
    first = _traced(rows, middle, fit_slot(rows, model, spread), spread, model, tone)
    if first is None:
        return None
    # again, from the walls that the first round found
    far, width_px = moved_onto(far, first.far.points_mm, first.far.weights), float(np.median(first.width_px))
    width = width_px * rows.pixel_mm
    middle = _beside(far, -width / 2)
    rows = _rows_across(bgr, view, middle, width, tone)
    if rows is None:
        return None
    model = replace(model, width_px=width_px)
    spread = best_slot_spread(rows.about(_SOME_ROWS), model, spread)[0]
    fit = fit_slot(rows, model, spread, steady=True)
    traced = _traced(rows, middle, fit, spread, model, tone)
    if traced is None or model.meets_px is None or model.thin_px:
        return traced
    return replace(traced, sides=(_side_face(rows, fit.terms, -away_mm(view, far)),))


def _side_face(rows: LightRows, terms: Array, away: float) -> SideFace:
    """The far wall's; `away` is how far the camera's foot lies from it."""
    meets, near = (float(np.median(terms[:, k])) for k in (MEETS, NEAR))
    floor = np.abs(rows.offsets - (meets + near) / 2) <= max(0.6, (meets - near) / 2 - 2)
    wood = (rows.offsets < near - 3) & (rows.offsets > near - FLANK_PX)
    tint = float(np.median(rows.tint[floor]) - np.median(rows.tint[wood])) if floor.any() else 0.0
    breadth = float(np.median(terms[:, FAR])) - meets
    return SideFace(breadth * rows.pixel_mm, away, tint, float(np.median(terms[:, FLOOR])))


def _beside(line: Guide, offset_mm: float) -> Guide:
    return Guide(line.start_mm + offset_mm * line.normal, line.end_mm + offset_mm * line.normal)


def _rows_across(bgr: Picture, view: View, middle: Guide, width_mm: float, tone: Tone) -> LightRows | None:
    """Light across the slot; `middle` runs half way between its walls."""
    width_px = width_mm / pixel_mm(view, middle)
    rows = read_light_rows(bgr, view, middle, width_px / 2 + FLANK_PX + 1, tone)
    keep = _between_wood(rows, width_px)
    return None if keep.sum() < checks.WALL_LEAST_STATIONS else rows.rows(keep)


def _between_wood(rows: LightRows, width_px: float) -> Flags:
    """Which rows have wood on both sides: beyond the work's edge there is none."""
    keep = np.ones(len(rows.light), bool)
    for side in (-rows.offsets, rows.offsets):
        level = np.log(median_filter(row_medians(rows.light, side > width_px / 2 + 3), 9) + DARK_FLOOR)
        usual = np.median(level)
        scatter = 1.4826 * np.median(np.abs(level - usual))
        keep &= np.abs(level - usual) < max(4 * scatter, 0.3)
    return keep


def _side_faces_mm(view: View, far: Guide, width_mm: float, thickness_mm: float) -> Array:
    """How broad the far and the near wall's side faces show where the slot is wide enough, mm, plane of the paper."""
    away = float(((far.start_mm + far.end_mm) / 2 - view.foot_mm) @ far.normal)
    return np.maximum([away, width_mm - away], 0.0) * thickness_mm / view.height_mm


def _traced(
    rows: LightRows, guide: Guide, fit: SlotFit, spread: EdgeSpread, model: SlotModel, tone: Tone
) -> SlotTrace | None:
    places = fit.terms[:, [NEAR, FAR]]
    moved = np.abs(places - np.median(places, axis=0)).max(axis=1)
    misfit = np.sqrt(np.mean(fit.residual**2, axis=1))
    steps = fit.terms[:, [WOOD_NEAR, WOOD_FAR]] - fit.terms[:, [SIDE if model.meets_px is None else FLOOR, SIDE]]
    clear = np.all(steps / np.median(steps, axis=0) > checks.WALL_LEAST_STEP, axis=1)
    good = (moved < FLANK_PX / 2) & (misfit < checks.WALL_WORST_MISFIT * np.median(misfit)) & clear
    if good.sum() < checks.WALL_LEAST_STATIONS:
        return None
    pixel = rows.pixel_mm
    contrast = float(np.abs(np.median(steps, axis=0)).min() / slot_noise(rows))
    walls = [
        Trace(
            points_mm=guide.points(rows.at_mm[good], places[good, k] * rows.scale_mm[good]),
            weights=1 / fit.u_px[good, k] ** 2,
            contrast=contrast,
            blur_px=spread.blur_px,
            pixel_mm=pixel,
            outward=outward,
            arris_clear=True,
            recess_gain=_RECESS_GAIN,
        )
        for k, outward in ((NEAR, -guide.normal), (FAR, guide.normal))
    ]
    levels = np.median(fit.terms, axis=0)
    inner = levels[SIDE if model.meets_px is None else FLOOR]
    pulls = (tone_shift(levels[WOOD_NEAR], inner), tone_shift(levels[WOOD_FAR], levels[SIDE]))
    steepness = float(spread.slope(np.zeros(1))[0])
    return SlotTrace(
        near=walls[0],
        far=walls[1],
        width_px=places[good, FAR] - places[good, NEAR],
        noise_mm=float(np.median(fit.u_px[good])) * pixel,
        tone_mm=max(pulls) / steepness * pixel,
        hidden_mm=(hidden_px(model, levels) + unseen_floor_px(rows, places, model)) * pixel,
        floor_seen=model.meets_px is not None,
        wall_mm=float(np.hypot(tone.softened_px, left_over_px(rows, fit, model, spread))) * pixel,
    )
