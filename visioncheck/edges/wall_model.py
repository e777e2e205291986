"""What a row across one wall shows: steps of light from wood to side face to floor, fitted to all rows at once."""

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

_THIN_PX = 2.5
"""A side face narrower than this cannot be told from the blur: its breadth is taken from the thickness."""
_PLACES = 12
_ROUNDS = 7
_LEAST_STEP = 1e-4
_SHADE = 0.06
"""Light of a side face against its wood's, as on the test photos (0.03 to 0.1)."""
ARRIS, WOOD, SIDE, FLOOR, MEETS = range(5)
"""Terms of a row: the arris, px; light of wood, side face and floor; where the wall meets the table or floor, px."""


@dataclass(frozen=True)
class WallModel:
    """A side face about `side_px` broad, `floor` beyond it or (where its end is not seen) none within reach.

    `everywhere` gives a say to light far from the steps too, which a choice between models wants.
    """

    side_px: float
    floor: bool
    fixed: bool
    reach_px: float
    everywhere: bool = False

    def start(self, rows: LightRows) -> Array:
        """Terms (n, 5) to start from: places by geometry, levels by medians."""
        x, light = rows.offsets, rows.light
        wood = row_medians(light, (x < -3) & (x > -FLANK_PX))
        end = min(self.side_px - 2, self.reach_px) if self.floor else self.reach_px
        side = row_medians(light, np.abs(x - end / 2) <= max(0.8, end / 2 - 2))
        if self.fixed:
            side = _SHADE * wood
        beyond = (x > self.side_px + 1.5) & (x < self.side_px + FLANK_PX) & (x < self.reach_px)
        floor = row_medians(light, beyond) if self.floor else side
        full = np.ones(len(light))
        return np.stack([0 * full, wood, side, floor, self.side_px * full], axis=1)

    def weight(self, offsets: Array) -> Array:
        """1 for pixels near a step, 0 for those that take no part."""
        places = (0.0, self.side_px) if self.floor else (0.0,)
        away = np.min(np.abs(offsets[..., None] - np.array(places)), axis=-1)
        near = (away <= FLANK_PX) | (self.everywhere & (offsets > 0))
        return np.asarray(near & (offsets < self.reach_px), np.float64)

    def light(self, offsets: Array, terms: Array, spread: EdgeSpread) -> tuple[Array, Array]:
        """Light (n, m) and its derivatives by the terms (n, m, 5)."""
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
class WallFit:
    """Fitted rows of one wall.

    Attributes
    ----------
    terms : (n, 5) ndarray
        In the order of `ARRIS` … `MEETS`.
    residual : (n, m) ndarray
        Of linear light, 0 where a pixel takes no part.
    u_px, u_meets_px : (n,) ndarray
        Standard uncertainty of both places from the picture's noise alone, px.
    """

    terms: Array
    residual: Array
    u_px: Array
    u_meets_px: Array

    @property
    def misfit(self) -> float:
        """Mean square residual, median over the rows."""
        return float(np.median(np.mean(self.residual**2, axis=1)))


def choose_wall_model(rows: LightRows, side_px: float, reach_px: float) -> tuple[WallModel, EdgeSpread]:
    """Where the side face ends, and the spread of light: what the rows fit best."""
    spread = EdgeSpread(0.8, 0.3)
    if side_px < _THIN_PX:
        model = WallModel(side_px, floor=True, fixed=True, reach_px=reach_px)
        return model, best_spread(lambda s: fit_wall(rows, model, s).misfit, spread)[0]
    plain = WallModel(reach_px, floor=False, fixed=False, reach_px=reach_px, everywhere=True)
    floors = [
        replace(plain, side_px=float(at), floor=True)
        for at in np.linspace(1.5, max(reach_px - 4, 2.0), int(np.clip(reach_px / 2, 4, _PLACES)))
    ]
    tried = [fit_wall(rows, each, spread) for each in floors]
    best = min(range(len(tried)), key=lambda k: tried[k].misfit)
    levels = np.median(tried[best].terms, axis=0)
    differs = abs(levels[FLOOR] - levels[SIDE]) > checks.FLOOR_UNLIKE * abs(levels[WOOD] - levels[SIDE])
    model = replace(plain, everywhere=False)
    if differs and tried[best].misfit < checks.FLOOR_MISFIT_SHARE * fit_wall(rows, plain, spread).misfit:
        at = float(np.clip(levels[MEETS] - levels[ARRIS], 1.5, reach_px))
        model = replace(model, side_px=at, floor=True)
    return model, best_spread(lambda s: fit_wall(rows, model, s).misfit, spread)[0]


def fit_wall(rows: LightRows, model: WallModel, spread: EdgeSpread, *, steady: bool = False) -> WallFit:
    """Gauss-Newton for all stations at once; with `steady`, levels and meeting line follow their running medians."""
    start = model.start(rows)
    step = max(abs(float(np.median(start[:, WOOD] - start[:, SIDE]))), _LEAST_STEP)
    loose = np.array([np.inf, np.inf, 0.3 * step, np.inf, 2.0])
    if model.fixed:
        loose[[SIDE, MEETS]] = 0.02 * step, 1e-3
    fit = _fitted(rows, model, spread, start, Prior(start, loose))
    if model.fixed:
        centre = start.copy()
        centre[:, MEETS] = fit.terms[:, ARRIS] + model.side_px
        return _fitted(rows, model, spread, fit.terms, Prior(centre, loose))
    if not steady:
        return fit
    centre = fit.terms.copy()
    for k, stations in ((SIDE, 61), (MEETS, 41)):
        centre[:, k] = median_filter(fit.terms[:, k], stations, mode="nearest")
    tight = np.array([np.inf, np.inf, 0.05 * step, np.inf, 0.4])
    return _fitted(rows, model, spread, centre, Prior(centre, tight))


def _fitted(rows: LightRows, model: WallModel, spread: EdgeSpread, start: Array, prior: Prior) -> WallFit:
    noise = wall_noise(rows)
    fits = fit_rows(rows, model, spread, start, prior, noise, rounds=_ROUNDS, places=(ARRIS, MEETS))
    u = noise * np.sqrt(fits.inverse_normal[:, [ARRIS, MEETS], [ARRIS, MEETS]])
    return WallFit(fits.terms, fits.residual, u[:, 0], u[:, 1])


def wall_noise(rows: LightRows) -> float:
    """Scatter of the wood's light beside the wall, in one row."""
    return light_noise(rows, (rows.offsets < -4) & (rows.offsets > -FLANK_PX))
