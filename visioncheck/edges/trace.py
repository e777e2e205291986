"""Trace one edge of the top face: from a rough line to sub-pixel stations along it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks
from visioncheck.camera.view import View
from visioncheck.edges.colour import REACH_PX, along_best_colour, light_and_colour
from visioncheck.edges.light_rows import pixel_mm
from visioncheck.edges.narrow_face import BROADEST_PX, NARROWEST_PX, ArrisPlace, top_arris
from visioncheck.edges.profile import fit_steps
from visioncheck.edges.sampling import Picture, pixel_rows, sample_beside
from visioncheck.edges.shade_band import shade_band
from visioncheck.fitting.line import repeated_median_line
from visioncheck.outline.guide import Guide
from visioncheck.photo.light import linear_light

Array = NDArray[np.float64]

_BLOCK_MM = 3.0
_COARSE_PITCH_MM = 0.2
_COARSE_INSIDE_MM = 3.0
_COARSE_OUTSIDE_MM = 2.5
_SIDE_FACE_SLACK_MM = 1.2
_THICKEST_MM = 50.0
_OUTLINE_SD_MM = 0.5
_STEP_CAP = 4.0
_BESIDE_MM = 0.8
_TRIM_MM = 2.0
_SPARSE = 3


@dataclass(frozen=True)
class Trace:
    """Stations of one edge on the plane of the paper.

    Attributes
    ----------
    points_mm : (n, 2) ndarray
        Table frame, as the paper's plane shows them.
    weights : (n,) ndarray
        Inverse variance of each, relative.
    contrast : float
        Step over noise, median over the stations.
    blur_px : float
        Standard deviation of the edge's blur.
    pixel_mm : float
    outward : (2,) ndarray
        Unit vector to the outside.
    arris_clear : bool
        Whether the top arris stands out from the side face below it, or that is so narrow that it is reckoned with.
    arris_u_mm : float
        Standard uncertainty of the whole edge's place, of a narrow side face whose brightness is not known.
    arris_turn_u_mm : float
        That of one end against the other.
    recess_gain : float
        How many times as far as the arris lies back it is read too far out, median over the stations.
    """

    points_mm: Array
    weights: Array
    contrast: float
    blur_px: float
    pixel_mm: float
    outward: Array
    arris_clear: bool
    recess_gain: float
    arris_u_mm: float = 0.0
    arris_turn_u_mm: float = 0.0

    @property
    def scatter_mm(self) -> float:
        """Standard deviation of the stations about their straight line, by their median distance from it."""
        angle, point = repeated_median_line(self.points_mm)
        across = (self.points_mm - point) @ np.array([-np.sin(angle), np.cos(angle)])
        return float(1.4826 * np.median(np.abs(across)))


def trace_edge(
    bgr: Picture, view: View, guide: Guide, thickness_mm: float | None, print_blur_px: float | None = None
) -> Trace | None:
    """Trace the top arris near `guide`.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 ndarray
        The photo as stored.
    guide : Guide
        Rough line on the plane of the paper, outside to its normal.
    thickness_mm : float or None
        Where known, says how broad a side face may show.
    print_blur_px : float or None
        Where known, a narrow band of shade beside the edge is told from wood by its colour.

    Returns
    -------
    Trace or None
        None where no edge stands out.
    """
    side_mm = side_face_mm(view, guide, thickness_mm)
    coarse = _find_arris(bgr, view, guide, side_mm, thickness_mm is not None)
    if coarse is None:
        return None
    rough, clear = coarse
    return trace_near(bgr, view, rough, thickness_mm, print_blur_px, clear=clear)


def trace_near(
    bgr: Picture,
    view: View,
    rough: Guide,
    thickness_mm: float | None = None,
    print_blur_px: float | None = None,
    *,
    clear: bool = True,
) -> Trace | None:
    """Trace the edge along which a guide runs already, to some tenths of a millimetre.

    With a thickness, a side face so narrow that its two arrises run into one step is reckoned with; with the print's
    blur, a band of shade as narrow.
    """
    # where it runs, a third of the rows tells: then every row once more, since only now do the windows stand right
    sparse = _fine(bgr, view, rough, clear, _SPARSE)
    trace = sparse or _fine(bgr, view, rough, clear)
    if trace is None:
        return None
    beside = _Beside(thickness_mm, print_blur_px)
    return _fine(bgr, view, through(trace, rough), clear, beside=beside)


def side_face_mm(view: View, guide: Guide, thickness_mm: float | None) -> float:
    """Breadth of the side face that shows beyond the edge, mm on the plane of the paper; 0 where it is hidden.

    Without a thickness, the breadth of the thickest piece that is expected (50 mm).
    """
    middle = (guide.start_mm + guide.end_mm) / 2
    away = float((view.foot_mm - middle) @ guide.normal)
    share = min((_THICKEST_MM if thickness_mm is None else thickness_mm) / view.height_mm, 0.5)
    return max(0.0, away * share / (1 - share))


def _find_arris(bgr: Picture, view: View, guide: Guide, side_mm: float, known_side: bool) -> tuple[Guide, bool] | None:
    """Shift and turn the guide onto the innermost step from wood to anything else that runs along it.

    Also whether that is the top arris for all that can be told.
    """
    inside = _COARSE_INSIDE_MM + side_mm * 1.15 + _SIDE_FACE_SLACK_MM * (side_mm > 0)
    offsets = np.arange(-inside, _COARSE_OUTSIDE_MM, _COARSE_PITCH_MM)
    trim = min(_TRIM_MM, 0.08 * guide.length_mm)
    at = np.arange(trim, guide.length_mm - trim, _BLOCK_MM / 4)
    at = at[guide.is_open(at)]
    if len(at) < 12:
        return None
    strip = np.log(linear_light(sample_beside(bgr, view, guide, at, offsets)) + 0.01).astype(float)
    blocks = len(at) // 4
    rows = strip[: 4 * blocks].reshape(blocks, 4, len(offsets), 3).mean(axis=1)
    middle = at[: 4 * blocks].reshape(blocks, 4).mean(axis=1)
    found = _vote(_step_strength(rows), offsets, middle, side_mm, known_side)
    if found is None:
        return None
    shift, turn, clear = found
    ends = np.array([0.0, guide.length_mm])
    start, end = guide.points(ends, shift + turn * (ends - guide.length_mm / 2))
    return Guide(start, end, guide.covered_mm), clear


def _step_strength(rows: Array) -> Array:
    """How much colour changes at each offset of each block, in units of the noise inside: (blocks, samples)."""
    n = max(2, round(_BESIDE_MM / _COARSE_PITCH_MM))
    total = np.concatenate([np.zeros_like(rows[:, :1]), np.cumsum(rows, axis=1)], axis=1)
    mean = (total[:, n:] - total[:, :-n]) / n
    jump = np.full(rows.shape[:2], 0.0)
    # between the window that ends at sample k and the window that starts there
    difference = mean[:, n:] - mean[:, :-n]
    inner = rows[:, : max(4, rows.shape[1] // 4)]
    noise = np.sqrt(np.mean((inner - inner.mean(axis=1, keepdims=True)) ** 2, axis=(0, 1))) + 0.02
    size = np.sqrt(np.sum((difference / noise) ** 2, axis=2))
    jump[:, n : n + size.shape[1]] = size
    return jump


def _vote(
    step: Array, offsets: Array, middle: Array, side_mm: float, known_side: bool
) -> tuple[float, float, bool] | None:
    """Offset and slope of the line along which the blocks' steps add up best, near where it is expected.

    The outline's own place is expected; where a side face may show, so is a place one side face further in,
    and that one is taken when it stands out at all: the outline followed the lower arris.
    """
    centred = middle - middle.mean()
    turns = np.linspace(-1.2, 1.2, 25) / max(float(np.ptp(middle)), 1.0)
    capped = np.minimum(step, _STEP_CAP)
    score = np.zeros((len(turns), len(offsets)))
    blocks = np.arange(len(middle))
    for k, turn in enumerate(turns):
        shift = np.round(turn * centred / _COARSE_PITCH_MM).astype(int)
        columns = np.clip(np.arange(len(offsets))[None, :] + shift[:, None], 0, len(offsets) - 1)
        score[k] = capped[blocks[:, None], columns].mean(axis=0)

    # the outline lies along the edge to about half a millimetre at its ends
    level = _bell(turns * float(np.ptp(middle)), 0.0, 2 * _OUTLINE_SD_MM)

    def best(prior: Array) -> tuple[float, float, float]:
        weighted = score * prior * level[:, None]
        at = np.unravel_index(np.argmax(weighted), weighted.shape)
        return float(score[at]), float(offsets[at[1]]), float(turns[at[0]])

    here = best(_bell(offsets, 0.0, _OUTLINE_SD_MM))
    chosen, clear = here, True
    if side_mm > 2 * _COARSE_PITCH_MM:
        if known_side:
            inner = best(_bell(offsets, -side_mm, 0.3 + 0.06 * side_mm) * (offsets < -0.5 * side_mm))
        else:
            inner = best(((offsets > -side_mm) & (offsets < -1.0)).astype(float))
        is_inner = inner[0] > checks.EDGE_INNER_SHARE * here[0]
        chosen = inner if is_inner else here
        # no second line: the outline may hang on the lower arris
        clear = is_inner or (not known_side and side_mm < checks.EDGE_NARROW_FACE_MM)
    return None if chosen[0] < checks.EDGE_FAINTEST else (chosen[1], chosen[2], clear)


def _bell(offsets: Array, centre: float, sd: float) -> Array:
    return np.asarray(np.exp(-(((offsets - centre) / sd) ** 2) / 2))


@dataclass(frozen=True)
class _Beside:
    """What is known of what shows beside an edge: the thickness, for a side face, and the blur of the print."""

    thickness_mm: float | None = None
    print_blur_px: float | None = None

    def side_px(self, view: View, guide: Guide) -> float:
        """Breadth of a side face so narrow that its two arrises run into one step, px; 0 where none is."""
        if self.thickness_mm is None:
            return 0.0
        side_px = side_face_mm(view, guide, self.thickness_mm) / pixel_mm(view, guide)
        return side_px if NARROWEST_PX < side_px < BROADEST_PX else 0.0


def _fine(
    bgr: Picture, view: View, guide: Guide, clear: bool, every: int = 1, beside: _Beside = _Beside()
) -> Trace | None:
    trim = min(_TRIM_MM, 0.06 * guide.length_mm)
    side_px = beside.side_px(view, guide)
    rows = pixel_rows(bgr, view, guide, trim, REACH_PX + 1 + side_px, every)
    if guide.covered_mm:
        rows = rows.where(guide.is_open(rows.at_mm))
    if len(rows.at_mm) < 24:
        return None
    seen = light_and_colour(rows.coded)
    profiles = along_best_colour(seen, rows.offset_px, rows.at_mm, rows.usual_pixel_mm)
    fit = fit_steps(profiles.values, rows.offset_px, profiles.noise)
    if fit is None:
        return None
    use = fit.good & profiles.plain
    if use.sum() < 20:
        return None
    arris = ArrisPlace(0.0, 0.0)
    if beside.print_blur_px is not None:
        arris = shade_band(rows.coded, seen, rows.offset_px, fit, use, beside.print_blur_px)
    if side_px and arris.shift_px:
        # beside shade the one step is the shade's, and no two steps describe it
        arris = arris.further_in(side_px)
    elif side_px:
        light = seen[use][..., 0]
        arris = top_arris(profiles.values[use], light, rows.offset_px[use], fit.at[use], side_px, fit.blur)
    return Trace(
        points_mm=guide.points(rows.at_mm[use], (fit.at[use] + arris.shift_px) * rows.pixel_mm[use]),
        weights=1 / fit.u[use] ** 2,
        contrast=float(np.median(1 / profiles.noise)),
        blur_px=fit.blur,
        pixel_mm=rows.usual_pixel_mm,
        outward=guide.normal,
        arris_clear=clear or side_px > 0,
        recess_gain=float(np.median(profiles.recess_gain[use])),
        arris_u_mm=arris.u_px * rows.usual_pixel_mm,
        arris_turn_u_mm=arris.turn_u_px * rows.usual_pixel_mm,
    )


def through(trace: Trace, guide: Guide) -> Guide:
    """The guide moved onto the traced stations."""
    angle, point = repeated_median_line(trace.points_mm)
    return guide.laid_on(point, np.array([np.cos(angle), np.sin(angle)]))
