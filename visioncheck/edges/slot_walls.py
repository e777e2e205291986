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

from visioncheck.camera.lens import BLUE, GREEN
from visioncheck.camera.view import View
from visioncheck.edges.edge_spread import EdgeSpread, best_spread
from visioncheck.edges.sampling import Picture, pixel_rows, sample_beside
from visioncheck.edges.side_face import SideFace
from visioncheck.edges.tone import Tone
from visioncheck.edges.trace import Trace
from visioncheck.edges.wall import away_mm, pixel_mm, tone_pull
from visioncheck.outline.guide import Guide
from visioncheck.outline.slot import RoughSlot
from visioncheck.photo.light import linear_between, linear_light

Array = NDArray[np.float64]

_FLANK_PX = 9.0
_FLOOR_MM = 6.0
_COARSE_MM = 0.08
_BEYOND_MM = 2.0
_DARK_FLOOR = 0.004
"""Added to light before a logarithm: below it the sensor's noise has no colour to tell."""
_PLACES = 10
_NARROWEST_FLOOR_PX = 4.0
_THINNEST_PX, _THIN_PX = 0.15, 2.5
_MIXED_PX = 9.0
_TINTED = 0.08
_FLOOR_PX = 1.5
_SHADE = 0.06
"""Light of a slot's side face against its wood's: what the test photos show (0.03 to 0.1)."""
_RECESS_GAIN = 1.0
"""As beside paper. A slot is dark, as a hollow is, but for a floor that shows."""
_BLOCK_MM = 1.5
_TRIM_MM = 2.0
_ROUNDS = 6
_FLOOR_GAIN, _BETRAYED_GAIN = 0.75, 0.95
"""How much less misfit a floor must leave to be believed; and where the sheet's tint beside the wall betrays one."""
_WORST = 3.0
_LEAST_SHARE = 0.3
_WOOD_STRAY = 0.35
_LEAST_STATIONS = 40
_SOME = 120
_UNLIKE = 0.1
_NEAR, _FAR, _WOOD_NEAR, _SIDE, _WOOD_FAR, _MEETS, _FLOOR = range(7)


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


@dataclass(frozen=True)
class _Profiles:
    """Light (n, m) in rows across a slot, and the offsets (n, m), px, of its pixels from the slot's middle line.

    `tint` (n, m) is log(blue/green).
    """

    light: Array
    offsets: Array
    at_mm: Array
    guide: Guide
    scale_mm: Array
    tint: Array

    @property
    def pixel_mm(self) -> float:
        return float(np.median(self.scale_mm))

    def some(self) -> _Profiles:
        """About `_SOME` of the rows."""
        every = slice(None, None, max(1, len(self.light) // _SOME))
        rows = (self.light[every], self.offsets[every], self.at_mm[every])
        return _Profiles(*rows, self.guide, self.scale_mm[every], self.tint[every])


@dataclass(frozen=True)
class _Fit:
    """Terms (n, 6 or 7) of the stations in the order of the module's numbers, residuals, and u of both walls, px."""

    terms: Array
    residual: Array
    u_px: Array

    @property
    def misfit(self) -> float:
        return float(np.median(np.mean(self.residual**2, axis=1)))


def trace_slot(bgr: Picture, view: View, band: RoughSlot, tone: Tone, thickness_mm: float) -> SlotTrace | None:
    """Trace both walls of the slot that is found at `band`, in work of about `thickness_mm`.

    Returns
    -------
    SlotTrace or None
        None where no two walls stand out.
    """
    rough = _rough_walls(bgr, view, band)
    if rough is None:
        return None
    far, width = rough
    profiles = _profiles(bgr, view, _beside(far, -width / 2), width, tone)
    if profiles is None:
        return None
    sides = _side_faces_mm(view, far, width, thickness_mm) / profiles.pixel_mm
    model, spread = _choose(profiles.some(), width / profiles.pixel_mm, sides)
    first = _traced(profiles, _fit(profiles, model, spread), spread, model)
    if first is None:
        return None
    # again, from the walls that the first round found
    far, width_px = _onto(far, first.far.points_mm, first.far.weights), float(np.median(first.width_px))
    width = width_px * profiles.pixel_mm
    profiles = _profiles(bgr, view, _beside(far, -width / 2), width, tone)
    if profiles is None:
        return None
    model = replace(model, width_px=width_px)
    spread = _best_spread(profiles.some(), model, spread)[0]
    fit = _fit(profiles, model, spread, steady=True)
    traced = _traced(profiles, fit, spread, model)
    if traced is None or model.meets_px is None or model.thin_px:
        return traced
    return replace(traced, sides=(_side_face(profiles, fit.terms, -away_mm(view, far)),))


def _side_face(profiles: _Profiles, terms: Array, away: float) -> SideFace:
    """The far wall's; `away` is how far the camera's foot lies from it."""
    meets, near = (float(np.median(terms[:, k])) for k in (_MEETS, _NEAR))
    floor = np.abs(profiles.offsets - (meets + near) / 2) <= max(0.6, (meets - near) / 2 - 2)
    wood = (profiles.offsets < near - 3) & (profiles.offsets > near - _FLANK_PX)
    tint = float(np.median(profiles.tint[floor]) - np.median(profiles.tint[wood])) if floor.any() else 0.0
    breadth = float(np.median(terms[:, _FAR])) - meets
    return SideFace(breadth * profiles.pixel_mm, away, tint, float(np.median(terms[:, _FLOOR])))


def _beside(line: Guide, offset_mm: float) -> Guide:
    return Guide(line.start_mm + offset_mm * line.normal, line.end_mm + offset_mm * line.normal)


def _rough_walls(bgr: Picture, view: View, band: RoughSlot) -> tuple[Guide, float] | None:
    """The far wall as seen from the camera, the slot on the side of its negative offsets, and the slot's width, mm."""
    line, low, high = band.line, band.low_mm, band.high_mm
    found = _far_and_width(bgr, view, line, low, high)
    if found is None:
        return None
    far, width = found
    middle = (far.start_mm + far.end_mm - width * far.normal) / 2
    if (view.foot_mm - middle) @ far.normal <= 0:
        return found
    return _far_and_width(bgr, view, Guide(line.end_mm, line.start_mm), -high, -low)


def _far_and_width(bgr: Picture, view: View, line: Guide, low: float, high: float) -> tuple[Guide, float] | None:
    far = _far_wall(bgr, view, line, low, high)
    return None if far is None else (far, _rough_width(bgr, view, far, high - low))


def _blocks(bgr: Picture, view: View, line: Guide, offsets_mm: Array) -> tuple[Array, Array]:
    """Middles (b,) of short blocks along the line and the logarithm of their median light (b, m, 3)."""
    at = np.arange(_TRIM_MM, line.length_mm - _TRIM_MM, _BLOCK_MM / 6)
    strip = linear_light(sample_beside(bgr, view, line, at, offsets_mm))
    count = len(at) // 6
    medians = np.median(strip[: 6 * count].reshape(count, 6, len(offsets_mm), 3), axis=1)
    return at[: 6 * count].reshape(count, 6).mean(axis=1), np.log(medians.astype(float) + _DARK_FLOOR)


def _far_wall(bgr: Picture, view: View, line: Guide, low: float, high: float) -> Guide | None:
    """The line moved onto the far wall: from the wood beyond it inwards, where the wood's colour ends."""
    if line.length_mm < 2 * _TRIM_MM + 8 * _BLOCK_MM:
        return None
    offsets = np.arange((low + high) / 2, high + _BEYOND_MM, _COARSE_MM)
    middles, rows = _blocks(bgr, view, line, offsets)
    wood = np.median(rows[:, offsets > high + _BEYOND_MM / 2], axis=1, keepdims=True)
    unlike = np.linalg.norm(rows - wood, axis=2) > _WOOD_STRAY
    last = len(offsets) - 1 - np.argmax(unlike[:, ::-1], axis=1)
    ok = unlike.any(axis=1)
    if ok.sum() < 8:
        return None
    return _onto(line, line.points(middles[ok], offsets[last[ok]]))


def _onto(line: Guide, points: Array, weights: Array | None = None) -> Guide:
    from visioncheck.fitting.line import fit_line

    fitted = fit_line(points, weights)
    return line.laid_on(fitted.point, fitted.direction)


def _rough_width(bgr: Picture, view: View, far: Guide, dark_mm: float) -> float:
    """Width, mm, from the far wall to where, beyond the dark band and any floor beside it, the wood's colour begins."""
    offsets = np.arange(-2.5 * dark_mm - _FLOOR_MM, 1.5, _COARSE_MM)
    at = np.arange(_TRIM_MM, far.length_mm - _TRIM_MM, 0.5)
    seen = linear_light(sample_beside(bgr, view, far, at, offsets))
    colour = np.log(np.median(seen, axis=0) + _DARK_FLOOR)
    wood = np.median(colour[offsets > 0.4], axis=0)
    like = np.linalg.norm(colour - wood, axis=1) < _WOOD_STRAY
    inward = np.flatnonzero(offsets < -0.5 * dark_mm)[::-1]
    run = 0
    for k in inward:
        run = run + 1 if like[k] else 0
        if run == 3:
            return float(-offsets[k + 2]) - _COARSE_MM / 2
    return dark_mm


def _profiles(bgr: Picture, view: View, middle: Guide, width_mm: float, tone: Tone) -> _Profiles | None:
    """Light across the slot; `middle` runs half way between its walls."""
    pixel = pixel_mm(view, middle)
    width = width_mm / pixel
    rows = pixel_rows(bgr, view, middle, _TRIM_MM, width / 2 + _FLANK_PX + 1)
    light = linear_between(rows.coded[..., GREEN]) ** tone.exponent
    keep = _between_wood(light, rows.offset_px, width)
    if keep.sum() < _LEAST_STATIONS:
        return None
    colour = np.log(linear_between(rows.coded[keep]) + _DARK_FLOOR)
    tint = colour[..., BLUE] - colour[..., GREEN]
    return _Profiles(light[keep], rows.offset_px[keep], rows.at_mm[keep], middle, rows.pixel_mm[keep], tint)


def _between_wood(light: Array, offsets: Array, width_px: float) -> NDArray[np.bool_]:
    """Stations with wood on both sides: beyond the work's edge there is none."""
    from scipy.ndimage import median_filter  # lazy: few photos show a slot

    keep = np.ones(len(light), bool)
    for side in (-offsets, offsets):
        level = np.log(median_filter(_median(light, side > width_px / 2 + 3), 9) + _DARK_FLOOR)
        usual = np.median(level)
        spread = 1.4826 * np.median(np.abs(level - usual))
        keep &= np.abs(level - usual) < max(4 * spread, 0.3)
    return keep


def _median(light: Array, where: NDArray[np.bool_]) -> Array:
    """Median (n,) of the chosen samples of each row."""
    return np.asarray(np.nanmedian(np.where(where, light, np.nan), axis=1))


def _side_faces_mm(view: View, far: Guide, width_mm: float, thickness_mm: float) -> Array:
    """How broad the far and the near wall's side faces show where the slot is wide enough, mm, plane of the paper."""
    away = float(((far.start_mm + far.end_mm) / 2 - view.foot_mm) @ far.normal)
    return np.maximum([away, width_mm - away], 0.0) * thickness_mm / view.height_mm


def _choose(profiles: _Profiles, width_px: float, sides_px: Array) -> tuple[_Model, EdgeSpread]:
    """Without or with a floor that shows, and the spread of light: whatever the stations fit best."""
    floor_px = width_px - sides_px[0]
    mixed = width_px < _MIXED_PX and floor_px > _THINNEST_PX < sides_px[0]
    # too narrow a slot to see floor and side face apart: what the picture allows, and how much it hides
    thin_px = float(min(floor_px, sides_px[0])) if mixed else 0.0
    plain = _Model(width_px, None, thin_px)
    spread, misfit = _best_spread(profiles, plain, EdgeSpread(0.8, 0.3))
    if _THINNEST_PX < sides_px[0] < _THIN_PX and width_px > sides_px[0] + _NARROWEST_FLOOR_PX:
        # a side face too thin to see apart: where it ends is known, and that it is dark
        return _Model(width_px, float(sides_px[0]), thin_px=float(sides_px.sum())), spread
    if mixed:
        return plain, spread
    floors = [_Model(width_px, meets) for meets in _places_to_meet(width_px)]
    if not floors:
        return plain, spread
    tried = [_fit(profiles, floor, spread) for floor in floors]
    best = min(tried, key=lambda fit: fit.misfit)
    near, far, meets = (float(np.median(best.terms[:, k])) for k in (_NEAR, _FAR, _MEETS))
    # again from where it was found: a wall of wood as light as the floor starts far from its place
    floor = _Model(far - near, far - meets)
    better, less = _best_spread(profiles, floor, spread)
    seen = _fit(profiles, plain, spread).terms[:, [_NEAR]]
    gain = _BETRAYED_GAIN if _unseen_floor_px(profiles, seen, plain) else _FLOOR_GAIN
    if less < gain * misfit and _floor_differs(best):
        return floor, better
    return plain, spread


def _places_to_meet(width_px: float) -> Array:
    """Distances from the far wall, px, to try for the line where it meets the table."""
    if width_px < _NARROWEST_FLOOR_PX:
        return np.zeros(0)
    return np.linspace(1.5, width_px - 1.2, int(np.clip(width_px / 3, 2, _PLACES)))


def _floor_differs(fit: _Fit) -> bool:
    wood, side, floor = (float(np.median(fit.terms[:, k])) for k in (_WOOD_FAR, _SIDE, _FLOOR))
    return abs(floor - side) > _UNLIKE * abs(wood - side)


def _best_spread(profiles: _Profiles, model: _Model, start: EdgeSpread) -> tuple[EdgeSpread, float]:
    return best_spread(lambda spread: _fit(profiles, model, spread).misfit, start)


def _fit(profiles: _Profiles, model: _Model, spread: EdgeSpread, *, steady: bool = False) -> _Fit:
    """Gauss-Newton for all stations at once.

    With `steady`, a second pass holds each station's slot levels and the place where the wall meets the table close
    to their running medians: they hardly change along a slot, while the arrises are rough.
    """
    start = model.start(profiles)
    step = abs(float(np.median(start[:, _WOOD_FAR] - start[:, _SIDE])))
    loose = np.array([np.inf, np.inf, np.inf, 0.3 * step, np.inf, 2.0, 0.5 * step])[: start.shape[1]]
    if model.thin_px and model.meets_px is not None:
        return _thin_side(profiles, model, spread, start, loose)
    fit = _gauss_newton(profiles, model, spread, start, start, loose)
    if not steady:
        return fit
    from scipy.ndimage import median_filter  # lazy: few photos show a slot

    centre = fit.terms.copy()
    for k, stations in ((_SIDE, 61), (_MEETS, 41), (_FLOOR, 21)):
        if k < centre.shape[1]:
            centre[:, k] = median_filter(fit.terms[:, k], stations, mode="nearest")
    tight = np.array([np.inf, np.inf, np.inf, 0.05 * step, np.inf, 0.4, 0.1 * step])[: start.shape[1]]
    return _gauss_newton(profiles, model, spread, centre, centre, tight)


def _thin_side(profiles: _Profiles, model: _Model, spread: EdgeSpread, start: Array, prior: Array) -> _Fit:
    """Fit with the side face as broad as geometry says; its place follows the far wall's."""
    prior[[_SIDE, _MEETS]] = 1e-4, 1e-3
    fit = _gauss_newton(profiles, model, spread, start, start, prior)
    for _ in range(2):
        start = fit.terms.copy()
        start[:, _MEETS] = start[:, _FAR] - float(model.meets_px or 0)
        fit = _gauss_newton(profiles, model, spread, start, start, prior)
    return fit


def _gauss_newton(
    profiles: _Profiles, model: _Model, spread: EdgeSpread, start: Array, centre: Array, prior: Array
) -> _Fit:
    terms, weight = start.copy(), model.weight(profiles.offsets)
    noise = _noise(profiles)
    pull = np.where(np.isfinite(prior), (noise / prior) ** 2, 1e-9)
    for _ in range(_ROUNDS):
        seen, slopes = model.light(profiles.offsets, terms, spread)
        residual = (profiles.light - seen) * weight
        across = slopes.transpose(0, 2, 1)
        normal = across @ (slopes * weight[..., None]) + np.diag(pull)
        right = (across @ residual[..., None])[..., 0] + pull * (centre - terms)
        step = np.linalg.solve(normal, right[..., None])[..., 0]
        places = [k for k in (_NEAR, _FAR, _MEETS) if k < terms.shape[1]]
        step[:, places] = np.clip(step[:, places], -0.7, 0.7)
        terms = terms + step
    seen, _ = model.light(profiles.offsets, terms, spread)
    residual = (profiles.light - seen) * weight
    inverse = np.linalg.inv(normal)
    u = noise * np.sqrt(inverse[:, [_NEAR, _FAR], [_NEAR, _FAR]])
    return _Fit(terms, residual, u)


def _noise(profiles: _Profiles) -> float:
    """Scatter of the wood's light beside the walls, in one row."""
    end = profiles.offsets.max() - 5
    flank = np.where(profiles.offsets > end, profiles.light, np.nan)
    return 1.4826 * float(np.nanmedian(np.abs(flank - np.nanmedian(flank, axis=1, keepdims=True)))) + 1e-5


@dataclass(frozen=True)
class _Model:
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

    def start(self, profiles: _Profiles) -> Array:
        """Terms to start from: places by geometry, levels by medians."""
        x, light, wall = profiles.offsets, profiles.light, self.width_px / 2
        full = np.ones(len(light))
        columns = [
            -wall * full,
            wall * full,
            _median(light, x < -wall - 3),
            _middle_level(profiles, self.meets_at_px, wall),
            _median(light, x > wall + 3),
        ]
        if self.meets_px is not None:
            columns += [self.meets_at_px * full, _middle_level(profiles, -wall, self.meets_at_px)]
        if self.thin_px and self.meets_px is not None:
            columns[_SIDE] = _SHADE * np.minimum(columns[_WOOD_NEAR], columns[_WOOD_FAR])
        return np.stack(columns, axis=1)

    def weight(self, offsets: Array) -> Array:
        """1 for samples near a step; what lies far from all of them has no say."""
        places = (-self.width_px / 2, self.meets_at_px, self.width_px / 2)
        away = np.min(np.abs(offsets[..., None] - np.array(places)), axis=-1)
        return np.asarray(away <= _FLANK_PX, np.float64)

    def light(self, offsets: Array, terms: Array, spread: EdgeSpread) -> tuple[Array, Array]:
        """Light (n, m) and its derivatives by the terms (n, m, terms)."""
        near, far = terms[:, [_NEAR]], terms[:, [_FAR]]
        wood, side, wood_far = (terms[:, [k]] for k in (_WOOD_NEAR, _SIDE, _WOOD_FAR))
        inner = side if self.meets_px is None else terms[:, [_FLOOR]]
        s_near, s_far = spread.step(offsets - near), spread.step(offsets - far)
        d_near, d_far = spread.slope(offsets - near), spread.slope(offsets - far)
        seen = wood + (inner - wood) * s_near + (wood_far - side) * s_far
        slopes = [-(inner - wood) * d_near, -(wood_far - side) * d_far, 1 - s_near]
        if self.meets_px is None:
            return seen, np.stack([*slopes, s_near - s_far, s_far], axis=-1)
        meets = terms[:, [_MEETS]]
        s_meets, d_meets = spread.step(offsets - meets), spread.slope(offsets - meets)
        seen = seen + (side - inner) * s_meets
        rest = [s_meets - s_far, s_far, -(side - inner) * d_meets, s_near - s_meets]
        return seen, np.stack([*slopes, *rest], axis=-1)


def _middle_level(profiles: _Profiles, low: float, high: float) -> Array:
    """Median light in the middle part between two offsets."""
    half = max(0.8, (high - low) / 2 - 2.5)
    return _median(profiles.light, np.abs(profiles.offsets - (low + high) / 2) <= half)


def _traced(profiles: _Profiles, fit: _Fit, spread: EdgeSpread, model: _Model) -> SlotTrace | None:
    places = fit.terms[:, [_NEAR, _FAR]]
    moved = np.abs(places - np.median(places, axis=0)).max(axis=1)
    misfit = np.sqrt(np.mean(fit.residual**2, axis=1))
    steps = fit.terms[:, [_WOOD_NEAR, _WOOD_FAR]] - fit.terms[:, [_SIDE if model.meets_px is None else _FLOOR, _SIDE]]
    clear = np.all(steps / np.median(steps, axis=0) > _LEAST_SHARE, axis=1)
    good = (moved < _FLANK_PX / 2) & (misfit < _WORST * np.median(misfit)) & clear
    if good.sum() < _LEAST_STATIONS:
        return None
    guide, pixel = profiles.guide, profiles.pixel_mm
    contrast = float(np.abs(np.median(steps, axis=0)).min() / _noise(profiles))
    walls = [
        Trace(
            points_mm=guide.points(profiles.at_mm[good], places[good, k] * profiles.scale_mm[good]),
            weights=1 / fit.u_px[good, k] ** 2,
            contrast=contrast,
            blur_px=spread.blur_px,
            pixel_mm=pixel,
            outward=outward,
            arris_clear=True,
            recess_gain=_RECESS_GAIN,
        )
        for k, outward in ((_NEAR, -guide.normal), (_FAR, guide.normal))
    ]
    levels = np.median(fit.terms[good], axis=0)
    inner = levels[_SIDE if model.meets_px is None else _FLOOR]
    pulls = (tone_pull(levels[_WOOD_NEAR], inner), tone_pull(levels[_WOOD_FAR], levels[_SIDE]))
    steepness = float(spread.slope(np.zeros(1))[0])
    return SlotTrace(
        near=walls[0],
        far=walls[1],
        width_px=places[good, _FAR] - places[good, _NEAR],
        noise_mm=float(np.median(fit.u_px[good])) * pixel,
        tone_mm=max(pulls) / steepness * pixel,
        hidden_mm=(_hidden_px(model, levels) + _unseen_floor_px(profiles, places, model)) * pixel,
        floor_seen=model.meets_px is not None,
    )


def _hidden_px(model: _Model, levels: Array) -> float:
    """How far a wall could be mistaken if what is too thin to be seen were of another light than it is taken for."""
    if model.meets_px is None or not model.thin_px:
        return model.thin_px
    wood, side, floor = levels[_WOOD_FAR], levels[_SIDE], levels[_FLOOR]
    return float(model.thin_px * abs(floor - side) / max(abs(wood - floor), 1e-3))


def _unseen_floor_px(profiles: _Profiles, places: Array, model: _Model) -> float:
    """How broad a strip of floor may lie beside the near wall that has the wood's light and only its tint betrays."""
    if model.meets_px is not None:
        return 0.0
    out = np.median(places[:, 0]) - profiles.offsets
    beside = np.median(profiles.tint[(out > 0.3) & (out < 3)])
    wood = np.median(profiles.tint[(out > 5) & (out < _FLANK_PX)])
    return _FLOOR_PX if abs(beside - wood) > _TINTED else 0.0
