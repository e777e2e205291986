"""What a row across a slot shows: steps of light from wood into the slot and out again, fitted to all rows at once."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from visioncheck import checks
from visioncheck.edges.edge_spread import EdgeSpread, best_spread
from visioncheck.edges.light_rows import FLANK_PX, LightRows, light_noise, row_medians
from visioncheck.edges.row_fit import fit_rows
from visioncheck.fitting.least_squares import Prior

Array = NDArray[np.float64]

_PLACES = 10
_NARROWEST_FLOOR_PX = 4.0
_THINNEST_PX, _THIN_PX = 0.15, 2.5
_MIXED_PX = 9.0
_TINTED = 0.08
_FLOOR_PX = 1.5
_LEAST_STEP = 1e-4
_SHADE = 0.06
"""Light of a slot's side face against its wood's: what the test photos show (0.03 to 0.1)."""
_ROUNDS = 6
_PATTERN_PX, _PATTERN_STEP_PX = 4.0, 0.5
NEAR, FAR, WOOD_NEAR, SIDE, WOOD_FAR, MEETS, FLOOR = range(7)
"""Terms of a row: both arrises, px; light of the near wood, of side face and far wood; where the far wall meets the
table, px, and the floor's light."""


@dataclass(frozen=True)
class SlotFit:
    """Fitted rows across a slot.

    Attributes
    ----------
    terms : (n, 5 or 7) ndarray
        In the order of `NEAR` … `FLOOR`.
    residual : (n, m) ndarray
        Of linear light, 0 where a pixel takes no part.
    u_px : (n, 2) ndarray
        Standard uncertainty of both arrises from the picture's noise alone, px.
    """

    terms: Array
    residual: Array
    u_px: Array

    @property
    def misfit(self) -> float:
        """Mean square residual, median over the rows."""
        return float(np.median(np.mean(self.residual**2, axis=1)))


@dataclass(frozen=True)
class SlotModel:
    """Steps of light across a slot of about `width_px`; `meets_px` from the far wall, None where no floor shows.

    Of a side face too thin to see the breadth and shade are taken as known; `thin_px` is how much is hidden so.
    """

    width_px: float
    meets_px: float | None
    thin_px: float = 0.0

    @property
    def meets_at_px(self) -> float:
        """Offset, from the slot's middle, of the line where the far wall meets the table; the near wall if none."""
        return self.width_px / 2 - (self.width_px if self.meets_px is None else self.meets_px)

    def start(self, rows: LightRows) -> Array:
        """Terms to start from: places by geometry, levels by medians."""
        x, light, wall = rows.offsets, rows.light, self.width_px / 2
        full = np.ones(len(light))
        columns = [
            -wall * full,
            wall * full,
            row_medians(light, x < -wall - 3),
            _middle_level(rows, self.meets_at_px, wall),
            row_medians(light, x > wall + 3),
        ]
        if self.meets_px is not None:
            columns += [self.meets_at_px * full, _middle_level(rows, -wall, self.meets_at_px)]
        if self.thin_px and self.meets_px is not None:
            columns[SIDE] = _SHADE * np.minimum(columns[WOOD_NEAR], columns[WOOD_FAR])
        return np.stack(columns, axis=1)

    def weight(self, offsets: Array) -> Array:
        """1 for samples near a step; what lies far from all of them has no say."""
        places = (-self.width_px / 2, self.meets_at_px, self.width_px / 2)
        away = np.min(np.abs(offsets[..., None] - np.array(places)), axis=-1)
        return np.asarray(away <= FLANK_PX, np.float64)

    def light(self, offsets: Array, terms: Array, spread: EdgeSpread) -> tuple[Array, Array]:
        """Light (n, m) and its derivatives by the terms (n, m, terms)."""
        near, far = terms[:, [NEAR]], terms[:, [FAR]]
        wood, side, wood_far = (terms[:, [k]] for k in (WOOD_NEAR, SIDE, WOOD_FAR))
        inner = side if self.meets_px is None else terms[:, [FLOOR]]
        s_near, s_far = spread.step(offsets - near), spread.step(offsets - far)
        d_near, d_far = spread.slope(offsets - near), spread.slope(offsets - far)
        seen = wood + (inner - wood) * s_near + (wood_far - side) * s_far
        slopes = [-(inner - wood) * d_near, -(wood_far - side) * d_far, 1 - s_near]
        if self.meets_px is None:
            return seen, np.stack([*slopes, s_near - s_far, s_far], axis=-1)
        meets = terms[:, [MEETS]]
        s_meets, d_meets = spread.step(offsets - meets), spread.slope(offsets - meets)
        seen = seen + (side - inner) * s_meets
        rest = [s_meets - s_far, s_far, -(side - inner) * d_meets, s_near - s_meets]
        return seen, np.stack([*slopes, *rest], axis=-1)


def choose_model(rows: LightRows, width_px: float, sides_px: Array) -> tuple[SlotModel, EdgeSpread]:
    """Without or with a floor that shows, and the spread of light: whatever the stations fit best."""
    floor_px = width_px - sides_px[0]
    mixed = width_px < _MIXED_PX and floor_px > _THINNEST_PX < sides_px[0]
    # too narrow a slot to see floor and side face apart: what the picture allows, and how much it hides
    thin_px = float(min(floor_px, sides_px[0])) if mixed else 0.0
    plain = SlotModel(width_px, None, thin_px)
    spread, misfit = best_slot_spread(rows, plain, EdgeSpread(0.8, 0.3))
    if _THINNEST_PX < sides_px[0] < _THIN_PX and width_px > sides_px[0] + _NARROWEST_FLOOR_PX:
        # a side face too thin to see apart: where it ends is known, and that it is dark
        return SlotModel(width_px, float(sides_px[0]), thin_px=float(sides_px.sum())), spread
    if mixed:
        return plain, spread
    floors = [SlotModel(width_px, meets) for meets in _places_to_meet(width_px)]
    if not floors:
        return plain, spread
    tried = [fit_slot(rows, floor, spread) for floor in floors]
    best = min(tried, key=lambda fit: fit.misfit)
    near, far, meets = (float(np.median(best.terms[:, k])) for k in (NEAR, FAR, MEETS))
    # again from where it was found: a wall of wood as light as the floor starts far from its place
    floor = SlotModel(far - near, far - meets)
    better, less = best_slot_spread(rows, floor, spread)
    seen = fit_slot(rows, plain, spread).terms[:, [NEAR]]
    gain = checks.FLOOR_MISFIT_SHARE_TINTED if unseen_floor_px(rows, seen, plain) else checks.FLOOR_MISFIT_SHARE
    if less >= gain * misfit or not _floor_differs(best):
        return plain, spread
    if far - meets < _THIN_PX:
        # blur makes such a side face of nothing, and hides a real one
        hidden = hidden_px(replace(floor, thin_px=far - meets), np.median(best.terms, axis=0))
        return SlotModel(width_px, None, hidden), spread
    return floor, better


def _places_to_meet(width_px: float) -> Array:
    """Distances from the far wall, px, to try for the line where it meets the table."""
    if width_px < _NARROWEST_FLOOR_PX:
        return np.zeros(0)
    return np.linspace(1.5, width_px - 1.2, int(np.clip(width_px / 3, 2, _PLACES)))


def _floor_differs(fit: SlotFit) -> bool:
    wood, side, floor = (float(np.median(fit.terms[:, k])) for k in (WOOD_FAR, SIDE, FLOOR))
    return abs(floor - side) > checks.FLOOR_UNLIKE * abs(wood - side)


def best_slot_spread(rows: LightRows, model: SlotModel, start: EdgeSpread) -> tuple[EdgeSpread, float]:
    """Find the spread of light under which a model fits best, and its misfit."""
    return best_spread(lambda spread: fit_slot(rows, model, spread).misfit, start)


def fit_slot(rows: LightRows, model: SlotModel, spread: EdgeSpread, *, steady: bool = False) -> SlotFit:
    """Gauss-Newton for all stations at once.

    With `steady`, a second pass holds each station's slot levels and the place where the wall meets the table close
    to their running medians: they hardly change along a slot, while the arrises are rough.
    """
    start = model.start(rows)
    step = max(abs(float(np.median(start[:, WOOD_FAR] - start[:, SIDE]))), _LEAST_STEP)
    loose = np.array([np.inf, np.inf, np.inf, 0.3 * step, np.inf, 2.0, 0.5 * step])[: start.shape[1]]
    if model.thin_px and model.meets_px is not None:
        return _thin_side(rows, model, spread, start, loose)
    fit = _fitted(rows, model, spread, start, Prior(start, loose))
    if not steady:
        return fit
    centre = fit.terms.copy()
    for k, stations in ((SIDE, 61), (MEETS, 41), (FLOOR, 21)):
        if k < centre.shape[1]:
            centre[:, k] = median_filter(fit.terms[:, k], stations, mode="nearest")
    tight = np.array([np.inf, np.inf, np.inf, 0.05 * step, np.inf, 0.4, 0.1 * step])[: start.shape[1]]
    return _fitted(rows, model, spread, centre, Prior(centre, tight))


def _thin_side(rows: LightRows, model: SlotModel, spread: EdgeSpread, start: Array, sd: Array) -> SlotFit:
    """Fit with the side face as broad as geometry says; its place follows the far wall's."""
    sd[[SIDE, MEETS]] = 1e-4, 1e-3
    fit = _fitted(rows, model, spread, start, Prior(start, sd))
    for _ in range(2):
        start = fit.terms.copy()
        start[:, MEETS] = start[:, FAR] - float(model.meets_px or 0)
        fit = _fitted(rows, model, spread, start, Prior(start, sd))
    return fit


def _fitted(rows: LightRows, model: SlotModel, spread: EdgeSpread, start: Array, prior: Prior) -> SlotFit:
    noise = slot_noise(rows)
    places = [k for k in (NEAR, FAR, MEETS) if k < start.shape[1]]
    fits = fit_rows(rows, model, spread, start, prior, noise, rounds=_ROUNDS, places=places)
    return SlotFit(fits.terms, fits.residual, noise * np.sqrt(fits.inverse_normal[:, [NEAR, FAR], [NEAR, FAR]]))


def slot_noise(rows: LightRows) -> float:
    """Scatter of the wood's light beside the walls, in one row."""
    return light_noise(rows, rows.offsets > rows.offsets.max() - 5)


def _middle_level(rows: LightRows, low: float, high: float) -> Array:
    """Median light in the middle part between two offsets."""
    half = max(0.8, (high - low) / 2 - 2.5)
    return row_medians(rows.light, np.abs(rows.offsets - (low + high) / 2) <= half)


def hidden_px(model: SlotModel, levels: Array) -> float:
    """How far a wall could be mistaken.

    By all that is too thin to be seen, if it were of another light than it is taken for; by the whole side face
    where that is as light as the wood, so that no arris shows.
    """
    if model.meets_px is None:
        return model.thin_px
    wood, side, floor = levels[WOOD_FAR], levels[SIDE], levels[FLOOR]
    if not model.thin_px:
        seen = abs(wood - side) > checks.ARRIS_LEAST_STEP * abs(wood - floor)
        return 0.0 if seen else float(levels[FAR] - levels[MEETS])
    return float(model.thin_px * abs(floor - side) / max(abs(wood - floor), 1e-3))


def left_over_px(rows: LightRows, fit: SlotFit, model: SlotModel, spread: EdgeSpread) -> float:
    """How far a wall could be off for what all rows show alike and the model does not have, px.

    Sharpening in coded values, clipping and a spread of another form leave a pattern beside the walls that does not
    average out along the slot. Divided by the steepness of the step it is a distance, of the order of the bias that it
    comes with.
    """
    levels = np.median(fit.terms, axis=0)
    steps = levels[[WOOD_NEAR, WOOD_FAR]] - levels[[SIDE if model.meets_px is None else FLOOR, SIDE]]
    steepness = float(spread.slope(np.zeros(1))[0])
    patterns = [_pattern(rows.offsets - fit.terms[:, [k]], fit.residual) for k in (NEAR, FAR)]
    return max(pattern / abs(float(step)) for pattern, step in zip(patterns, steps, strict=True)) / steepness


def _pattern(away_px: Array, residual: Array) -> float:
    """Root mean square of the residual's mean over all rows at each distance from a wall, its noise taken off."""
    edges = np.arange(-_PATTERN_PX, _PATTERN_PX + _PATTERN_STEP_PX / 2, _PATTERN_STEP_PX)
    place = np.digitize(away_px, edges) - 1
    square = []
    for k in range(len(edges) - 1):
        here = residual[(place == k) & (residual != 0)]
        if len(here) > 1:
            square.append(here.mean() ** 2 - here.var() / len(here))
    return float(np.sqrt(max(np.mean(square), 0.0))) if square else 0.0


def unseen_floor_px(rows: LightRows, places: Array, model: SlotModel) -> float:
    """How broad a strip of floor may lie beside the near wall that has the wood's light and differs in tint alone."""
    if model.meets_px is not None:
        return 0.0
    out = np.median(places[:, 0]) - rows.offsets
    beside = np.median(rows.tint[(out > 0.3) & (out < 3)])
    wood = np.median(rows.tint[(out > 5) & (out < FLANK_PX)])
    return _FLOOR_PX if abs(beside - wood) > _TINTED else 0.0
