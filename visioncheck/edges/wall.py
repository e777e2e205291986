"""One wall of a wide slot, on its own: where the top face ends, and how broad the wall's side face shows below it.

A wall that leans out of sight (the one nearer the camera) is an edge of wood beside whatever lies in the slot. Of the
other one the side face shows, in its own shade, and beyond the line where it meets the table or the groove's floor
that floor: three bands of light, of which the first step alone is the arris.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from visioncheck.camera.lens import BLUE, GREEN
from visioncheck.camera.view import View
from visioncheck.edges.edge_spread import EdgeSpread, best_spread
from visioncheck.edges.sampling import Picture, pixel_rows
from visioncheck.edges.side_face import SideFace
from visioncheck.edges.tone import Tone
from visioncheck.edges.trace import Trace, through, trace_near
from visioncheck.outline.guide import Guide
from visioncheck.photo.light import linear_between

Array = NDArray[np.float64]

_FLANK_PX = 9.0
_HIDDEN_PX = 0.3
"""A side face narrower than this does not show."""
_THIN_PX = 2.5
"""A side face narrower than this cannot be told from the blur: its breadth is taken from the thickness."""
_BROADER = 2.0
"""Side faces are looked for up to this many times as broad as the thickness says, so that a wrong one shows."""
_SOME = 80
_PLACES = 12
_ROUNDS = 7
_TRIM_MM = 2.0
_LEAST_STATIONS = 40
_WORST = 3.0
_LEAST_SHARE = 0.3
_GAIN = 0.75
_UNLIKE = 0.1
_RECESS_GAIN = 1.0
_SHADE = 0.06
"""Light of a side face against its wood's, as on the test photos (0.03 to 0.1)."""
_DARK_FLOOR = 0.004
_ARRIS, _WOOD, _SIDE, _FLOOR, _MEETS = range(5)


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


def away_mm(view: View, wall: Guide) -> float:
    """How far the point straight below the camera lies from the wall, towards its slot; negative behind it."""
    return float((view.foot_mm - (wall.start_mm + wall.end_mm) / 2) @ wall.normal)


@dataclass(frozen=True)
class _Rows:
    """Light (n, m) in rows across the wall, offsets (n, m), px, into the slot, and log(blue/green) (n, m)."""

    light: Array
    offsets: Array
    tint: Array
    at_mm: Array
    scale_mm: Array

    def some(self) -> _Rows:
        every = slice(None, None, max(1, len(self.light) // _SOME))
        return _Rows(*(each[every] for each in (self.light, self.offsets, self.tint, self.at_mm, self.scale_mm)))


def _with_side_face(
    bgr: Picture, view: View, wall: Guide, side_and_reach_mm: tuple[float, float], tone: Tone
) -> WallTrace | None:
    away = away_mm(view, wall)
    pixel = pixel_mm(view, wall)
    side_px, reach_px = (each / pixel for each in side_and_reach_mm)
    reach_px = min(_BROADER * side_px + _FLANK_PX + 2, reach_px)
    rows = _rows(bgr, view, wall, reach_px, tone)
    if rows is None:
        return None
    some = rows.some()
    model, spread = _choose(some, side_px, reach_px)
    fit = _fit(rows, model, spread)
    if model.floor and not model.fixed:
        # again with the side face as broad as it was found
        model = replace(model, side_px=float(np.median(fit.terms[:, _MEETS] - fit.terms[:, _ARRIS])))
    spread, _ = best_spread(lambda s: _fit(some, model, s).misfit, spread)
    fit = _fit(rows, model, spread, steady=True)
    return _traced(rows, fit, model, spread, (wall, away))


def pixel_mm(view: View, guide: Guide) -> float:
    """Size of a pixel across the guide at its middle, mm."""
    seen = view.to_image(guide.points(np.array([guide.length_mm / 2] * 2), np.array([0.0, 1.0])))
    return 1.0 / float(np.linalg.norm(seen[1] - seen[0]))


def _rows(bgr: Picture, view: View, wall: Guide, reach_px: float, tone: Tone) -> _Rows | None:
    seen = pixel_rows(bgr, view, wall, _TRIM_MM, reach_px + 1)
    if len(seen.at_mm) < _LEAST_STATIONS:
        return None
    decoded = linear_between(seen.coded)
    light = decoded[..., GREEN] ** tone.exponent
    colour = np.log(decoded + _DARK_FLOOR)
    return _Rows(light, seen.offset_px, colour[..., BLUE] - colour[..., GREEN], seen.at_mm, seen.pixel_mm)


@dataclass(frozen=True)
class _Model:
    """A side face about `side_px` broad, `floor` beyond it or (where its end is not seen) none within reach.

    `everywhere` gives a say to light far from the steps too, which a choice between models wants.
    """

    side_px: float
    floor: bool
    fixed: bool
    reach_px: float
    everywhere: bool = False

    def start(self, rows: _Rows) -> Array:
        x, light = rows.offsets, rows.light
        wood = _median(light, (x < -3) & (x > -_FLANK_PX))
        end = min(self.side_px - 2, self.reach_px) if self.floor else self.reach_px
        side = _median(light, np.abs(x - end / 2) <= max(0.8, end / 2 - 2))
        if self.fixed:
            side = _SHADE * wood
        beyond = (x > self.side_px + 1.5) & (x < self.side_px + _FLANK_PX) & (x < self.reach_px)
        floor = _median(light, beyond) if self.floor else side
        full = np.ones(len(light))
        return np.stack([0 * full, wood, side, floor, self.side_px * full], axis=1)

    def weight(self, offsets: Array) -> Array:
        places = (0.0, self.side_px) if self.floor else (0.0,)
        away = np.min(np.abs(offsets[..., None] - np.array(places)), axis=-1)
        near = (away <= _FLANK_PX) | (self.everywhere & (offsets > 0))
        return np.asarray(near & (offsets < self.reach_px), np.float64)

    def light(self, offsets: Array, terms: Array, spread: EdgeSpread) -> tuple[Array, Array]:
        arris, wood, side, floor, meets = (terms[:, [k]] for k in range(5))
        s_arris, d_arris = spread.step(offsets - arris), spread.slope(offsets - arris)
        if not self.floor:
            seen = wood + (side - wood) * s_arris
            none = np.zeros_like(seen)
            return seen, np.stack([-(side - wood) * d_arris, 1 - s_arris, s_arris, none, none], axis=-1)
        s_meets, d_meets = spread.step(offsets - meets), spread.slope(offsets - meets)
        seen = wood + (side - wood) * s_arris + (floor - side) * s_meets
        slopes = [-(side - wood) * d_arris, 1 - s_arris, s_arris - s_meets, s_meets, -(floor - side) * d_meets]
        return seen, np.stack(slopes, axis=-1)


@dataclass(frozen=True)
class _Fit:
    terms: Array
    residual: Array
    u_px: Array
    u_meets_px: Array

    @property
    def misfit(self) -> float:
        return float(np.median(np.mean(self.residual**2, axis=1)))


def _choose(rows: _Rows, side_px: float, reach_px: float) -> tuple[_Model, EdgeSpread]:
    """Where the side face ends, and the spread of light: what the rows fit best."""
    spread = EdgeSpread(0.8, 0.3)
    if side_px < _THIN_PX:
        model = _Model(side_px, floor=True, fixed=True, reach_px=reach_px)
        return model, best_spread(lambda s: _fit(rows, model, s).misfit, spread)[0]
    plain = _Model(reach_px, floor=False, fixed=False, reach_px=reach_px, everywhere=True)
    floors = [
        replace(plain, side_px=float(at), floor=True)
        for at in np.linspace(1.5, max(reach_px - 4, 2.0), int(np.clip(reach_px / 2, 4, _PLACES)))
    ]
    tried = [_fit(rows, each, spread) for each in floors]
    best = min(range(len(tried)), key=lambda k: tried[k].misfit)
    levels = np.median(tried[best].terms, axis=0)
    differs = abs(levels[_FLOOR] - levels[_SIDE]) > _UNLIKE * abs(levels[_WOOD] - levels[_SIDE])
    model = replace(plain, everywhere=False)
    if differs and tried[best].misfit < _GAIN * _fit(rows, plain, spread).misfit:
        at = float(np.clip(levels[_MEETS] - levels[_ARRIS], 1.5, reach_px))
        model = replace(model, side_px=at, floor=True)
    return model, best_spread(lambda s: _fit(rows, model, s).misfit, spread)[0]


def _fit(rows: _Rows, model: _Model, spread: EdgeSpread, *, steady: bool = False) -> _Fit:
    """Gauss-Newton for all stations at once; with `steady`, levels and meeting line follow their running medians."""
    start = model.start(rows)
    step = abs(float(np.median(start[:, _WOOD] - start[:, _SIDE])))
    loose = np.array([np.inf, np.inf, 0.3 * step, np.inf, 2.0])
    if model.fixed:
        loose[[_SIDE, _MEETS]] = 0.02 * step, 1e-3
    fit = _gauss_newton(rows, model, spread, start, start, loose)
    if model.fixed:
        centre = start.copy()
        centre[:, _MEETS] = fit.terms[:, _ARRIS] + model.side_px
        return _gauss_newton(rows, model, spread, fit.terms, centre, loose)
    if not steady:
        return fit
    centre = fit.terms.copy()
    for k, stations in ((_SIDE, 61), (_MEETS, 41)):
        centre[:, k] = median_filter(fit.terms[:, k], stations, mode="nearest")
    tight = np.array([np.inf, np.inf, 0.05 * step, np.inf, 0.4])
    return _gauss_newton(rows, model, spread, centre, centre, tight)


def _gauss_newton(rows: _Rows, model: _Model, spread: EdgeSpread, start: Array, centre: Array, prior: Array) -> _Fit:
    terms, weight = start.copy(), model.weight(rows.offsets)
    noise = _noise(rows)
    pull = np.where(np.isfinite(prior), (noise / prior) ** 2, 1e-9)
    for _ in range(_ROUNDS):
        seen, slopes = model.light(rows.offsets, terms, spread)
        residual = (rows.light - seen) * weight
        across = slopes.transpose(0, 2, 1)
        normal = across @ (slopes * weight[..., None]) + np.diag(pull)
        right = (across @ residual[..., None])[..., 0] + pull * (centre - terms)
        step = np.linalg.solve(normal, right[..., None])[..., 0]
        step[:, [_ARRIS, _MEETS]] = np.clip(step[:, [_ARRIS, _MEETS]], -0.7, 0.7)
        terms = terms + step
    seen, _ = model.light(rows.offsets, terms, spread)
    inverse = np.linalg.inv(normal)
    u = noise * np.sqrt(inverse[:, [_ARRIS, _MEETS], [_ARRIS, _MEETS]])
    return _Fit(terms, (rows.light - seen) * weight, u[:, 0], u[:, 1])


def _noise(rows: _Rows) -> float:
    """Scatter of the wood's light beside the wall, in one row."""
    flank = np.where((rows.offsets < -4) & (rows.offsets > -_FLANK_PX), rows.light, np.nan)
    return 1.4826 * float(np.nanmedian(np.abs(flank - np.nanmedian(flank, axis=1, keepdims=True)))) + 1e-5


def _median(light: Array, where: NDArray[np.bool_]) -> Array:
    """Median (n,) of the chosen samples of each row; of the nearest ones where none is chosen."""
    none = ~where.any(axis=1)
    values = np.where(where, light, np.nan)
    values[none] = light[none]
    return np.asarray(np.nanmedian(values, axis=1))


def _traced(
    rows: _Rows, fit: _Fit, model: _Model, spread: EdgeSpread, wall_and_away: tuple[Guide, float]
) -> WallTrace | None:
    wall, away = wall_and_away
    arris = fit.terms[:, _ARRIS]
    misfit = np.sqrt(np.mean(fit.residual**2, axis=1))
    steps = fit.terms[:, _WOOD] - fit.terms[:, _SIDE]
    usual = float(np.median(steps))
    good = (np.abs(arris - np.median(arris)) < _FLANK_PX / 2) & (misfit < _WORST * np.median(misfit))
    good &= steps / usual > _LEAST_SHARE
    if usual <= 0 or good.sum() < _LEAST_STATIONS:
        return None
    pixel = float(np.median(rows.scale_mm))
    levels = np.median(fit.terms[good], axis=0)
    trace = Trace(
        points_mm=wall.points(rows.at_mm[good], arris[good] * rows.scale_mm[good]),
        weights=1 / fit.u_px[good] ** 2,
        contrast=usual / _noise(rows),
        blur_px=spread.blur_px,
        pixel_mm=pixel,
        outward=wall.normal,
        arris_clear=True,
        recess_gain=_RECESS_GAIN,
    )
    thin = model.side_px * abs(levels[_FLOOR] - levels[_SIDE]) / max(abs(levels[_WOOD] - levels[_FLOOR]), 1e-3)
    steepness = float(spread.slope(np.zeros(1))[0])
    return WallTrace(
        trace=trace,
        noise_mm=float(np.median(fit.u_px[good])) * pixel,
        tone_mm=tone_pull(levels[_WOOD], levels[_SIDE]) / steepness * pixel,
        hidden_mm=float(thin) * pixel if model.fixed else 0.0,
        side=_side_face(rows, fit.terms[good], model, away) if model.floor and not model.fixed else None,
    )


def _side_face(rows: _Rows, terms: Array, model: _Model, away: float) -> SideFace:
    breadth = float(np.median(terms[:, _MEETS] - terms[:, _ARRIS]))
    floor = (rows.offsets > breadth + 2.5) & (rows.offsets < min(breadth + _FLANK_PX, model.reach_px))
    wood = (rows.offsets < -3) & (rows.offsets > -_FLANK_PX)
    tint = float(np.median(rows.tint[floor]) - np.median(rows.tint[wood])) if floor.any() else 0.0
    return SideFace(breadth * float(np.median(rows.scale_mm)), away, tint, float(np.median(terms[:, _FLOOR])))


def tone_pull(wood: float, slot: float) -> float:
    """How much the share of light half way through a step changes with the exponent of the tone curve, near 1.

    The derivative of (d^g - s^g) / (w^g - s^g) by g, at g = 1, where it is one half.
    """
    half = (wood + slot) / 2
    curve = [level * np.log(max(level, 1e-6)) for level in (half, wood, slot)]
    return abs(float((curve[0] - (curve[1] + curve[2]) / 2) / (wood - slot)))
