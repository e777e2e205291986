"""An invented workshop on the computer: prints, a phone in a hand, surveys, sawn pieces, edge stations with noise.

Nothing is rendered: target points and edge stations are put where light would put them, and the program's own survey,
views and readings take it from there. Sizes of the errors are those of home prints and sawn edges as measured on the
computed photos (`python -m tests.accuracy`), unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.signal import lfilter

from tests.camera.scene import HEIGHT, ROUND, WIDTH, Print, home_print, photograph
from tests.shapes import interior_angles_deg, laid, quadrilateral
from tests.simulation.hand import Camera, Setting, User, user_of
from visioncheck.camera.from_photos import rig_from_survey
from visioncheck.camera.lens import BLUE, RED
from visioncheck.camera.plane_fit import plane_view
from visioncheck.camera.rigid_fit import rigid_view
from visioncheck.camera.survey import survey
from visioncheck.edges.trace import Trace
from visioncheck.errors import UserError
from visioncheck.photo.load import Exif
from visioncheck.printed.layout import target_layout
from visioncheck.quantity import Quantity
from visioncheck.reading.piece import Piece, read_piece

if TYPE_CHECKING:
    from visioncheck.camera.rig import Rig
    from visioncheck.camera.view import View
    from visioncheck.points.model import TargetPoints

MIDDLE_MM = np.array([105.0, 148.5])
FOCAL_35MM = 26.0
"""What the invented phone writes into EXIF: rounded, and about 1 % off."""
RELAID_SD_MM = 0.012
"""The sheet does not lie quite as it lay when it was surveyed."""
PULLS = (0.0, 0.2, 1.2)
"""How many times as far as an arris lies back it is read too far out: on a dark field, in shade, beside white paper."""
ROCK_SD_MM = 0.01
"""How far the top face's ends stand off parallel to the sheet."""
CHANNEL_SHARE = 0.3
"""Of blue and of red in what an edge is read from; about what grey takes of them."""
ROUGH_SD_MM = 0.02
TRIM_MM = 2.0
GRAIN_MM = 0.1
"""How finely an edge's roughness is drawn."""


@dataclass(frozen=True)
class Cut:
    """One sawn edge: from corner to corner it should be straight.

    Attributes
    ----------
    rough_mm, correlation_mm : float
        Standard deviation and correlation length of its roughness.
    bow_mm : float
        Sagitta, positive to the outside.
    torn : tuple of float
        Start and end, as parts of the length, of what is torn out; empty where nothing is.
    seed : int
        Of its roughness: an edge is the same in each photo.
    """

    rough_mm: float
    correlation_mm: float
    seed: int
    bow_mm: float = 0.0
    torn: tuple[float, ...] = ()


@dataclass(frozen=True)
class Workpiece:
    """Corners (4, 2) mm as the fence made them, listed as outlines are (outside at (-y, x) of each side)."""

    kind: str
    corners_mm: np.ndarray
    thickness_mm: float
    cuts: tuple[Cut, Cut, Cut, Cut]
    error_deg: float

    @property
    def angles_deg(self) -> np.ndarray:
        """Interior angles."""
        return interior_angles_deg(self.corners_mm)


@dataclass(frozen=True)
class Workshop:
    """A user, the print on the bench and its survey; without one, the reason for which the program refused it."""

    printed: Print
    user: User
    rig: Rig | None
    refused: str = ""


def workshop(seed: int, setting: Setting, photos: int = 8) -> Workshop:
    """A print and its survey, with the ruled length as a rule is read."""
    rng = np.random.default_rng(seed)
    printed = home_print(rng, stretch=0.0035, shear=0.0015)
    # ink and paper: each point on its own
    printed = Print(printed.points_mm + rng.normal(0, 0.004, printed.points_mm.shape) * [1, 1, 0])
    user = user_of(setting, rng)
    taken = [_survey_photo(printed, user, n, rng) for n in range(photos)]
    first, last = target_layout("a4").ruled_points
    ruled_mm = float(np.linalg.norm(printed.points_mm[last] - printed.points_mm[first])) + rng.normal(0, 0.15)
    try:
        found = survey(taken, WIDTH, HEIGHT, ruled_mm)
    except UserError as error:
        return Workshop(printed, user, None, str(error))
    return Workshop(printed, user, rig_from_survey(found, taken, Exif(), ruled_mm))


def _survey_photo(printed: Print, user: User, number: int, rng: np.random.Generator) -> TargetPoints:
    """As the guide asks for: from all sides, tilted, the phone turned; each by eye."""
    tilt, roll = ROUND[number % len(ROUND)]
    by_eye = rng.normal(0, 1, 3) * [3, 8, 8]
    aim, distance_mm = MIDDLE_MM + rng.normal(0, 5, 2), rng.uniform(360, 460)
    camera = user.shoot(tilt + by_eye[0], roll + by_eye[1], 47 * number + by_eye[2], aim, distance_mm, rng)
    return photograph(camera, [printed], rng, user.setting.picture.point_px, lateral=user.lateral)


def sheared(rig: Rig, errors_deg: np.ndarray, u_deg: float) -> Rig:
    """The rig with its sheet out of square by `errors_deg`, (2,): as drawn and on its corner; and saying so by `u_deg`.

    As a survey from a moving hand leaves it, whatever it is that the survey makes of such a hand.
    """
    centred = rig.points_mm[:, :2] - rig.points_mm[:, :2].mean(axis=0)
    ways = np.zeros((2, *rig.points_mm.shape))
    ways[0, :, :2], ways[1, :, :2] = centred[:, ::-1] / 2, centred * [0.5, -0.5]
    ways = np.radians(ways.reshape(2, -1))
    covariance = rig.covariance.copy()
    covariance[8:, 8:] += u_deg**2 * ways.T @ ways
    return replace(rig, points_mm=rig.points_mm + (errors_deg @ ways).reshape(-1, 3), covariance=covariance)


def sawn_piece(kind: str, rng: np.random.Generator) -> Workpiece:
    """A corner offcut, a panel cut all round or a strip, lying anywhere, at any angle."""
    error = rng.normal(0, 0.1)
    if kind == "panel":
        angles = np.array([90 - 3 * error, 90 + error, 90 + error])
        sides = rng.uniform(90, 125, 2)
    elif kind == "strip":
        angles = np.array([90.0, 90.0, 90.0]) + rng.normal(0, 0.2, 3)
        sides = np.array([rng.uniform(150, 200), rng.uniform(25, 40)])
    else:
        # two sawmill edges, off by tenths
        angles = np.array([90 + error, *(90 + rng.normal(0, 0.3, 2))])
        sides = np.array([rng.uniform(80, 120), rng.uniform(80, 150)])
    turn_deg = rng.uniform(0, 360)
    corners = laid(quadrilateral(sides, angles), MIDDLE_MM + rng.uniform(-12, 12, 2), turn_deg)
    return Workpiece(kind, corners, rng.uniform(12, 25), tuple(_cut(rng) for _ in range(4)), error)


def _cut(rng: np.random.Generator) -> Cut:
    rough, correlation = ROUGH_SD_MM * np.exp(rng.normal(0, 0.25)), np.exp(rng.normal(0, 0.3))
    seed, kind = int(rng.integers(2**32)), rng.random()
    if kind < 0.1:
        return Cut(rough, correlation, seed, bow_mm=rng.choice([-1, 1]) * rng.uniform(0.03, 0.12))
    if kind < 0.2:
        return Cut(0.7 * rough, rng.uniform(4, 8), seed)
    if kind < 0.3:
        start = rng.uniform(0, 0.85)
        return Cut(rough, correlation, seed, torn=(start, start + rng.uniform(0.03, 0.12)))
    return Cut(rough, correlation, seed)


def sawn_off_mm(cut: Cut, at: np.ndarray, length: float) -> np.ndarray:
    """How far the real edge stands outside its straight line at places `at` along it."""
    rng = np.random.default_rng(cut.seed)
    every = np.arange(0, length + GRAIN_MM, GRAIN_MM)
    phi = np.exp(-GRAIN_MM / cut.correlation_mm)
    kicks = rng.normal(0, cut.rough_mm * np.sqrt(1 - phi**2), len(every))
    kicks[0] = rng.normal(0, cut.rough_mm)
    off = np.interp(at, every, lfilter([1.0], [1.0, -phi], kicks))
    x = 2 * at / length - 1
    off += cut.bow_mm * (1 - x**2 - 2 / 3)
    if cut.torn:
        inside = (at > cut.torn[0] * length) & (at < cut.torn[1] * length)
        off[inside] -= rng.uniform(0.1, 0.8)
    return off


def shoot_piece(
    piece: Workpiece,
    shop: Workshop,
    rig: Rig | None,
    rng: np.random.Generator,
    lean_deg: tuple[float, float] = (0.0, 0.0),
) -> Piece:
    """Photograph the piece on the print and read its four edges, with a rig or without.

    `lean_deg` is how far its top face leans along its long sides and across them (standard deviation); it is told.

    Raises
    ------
    Refusal
        The program's, for what it takes to be wrong with the photo.
    """
    user, printed = shop.user, shop.printed
    picture = user.setting.picture
    # the sheet fills the picture lengthwise
    roll = rng.choice([-90, 90]) + rng.normal(0, 6)
    camera = user.shoot(rng.uniform(0, 15), roll, rng.uniform(0, 360), MIDDLE_MM, rng.uniform(270, 330), rng)
    lying = Print(printed.points_mm + np.outer(_relaid(printed.points_mm, rng), [0, 0, 1.0]))
    shadow = camera.on_paper(piece.corners_mm, piece.thickness_mm)
    points = photograph(
        camera, [lying], rng, picture.point_px, lateral=user.lateral, keep=lambda at: _outside(at[:, :2], shadow)
    )
    if rig is None:
        view: View = plane_view(points, WIDTH, HEIGHT, FOCAL_35MM, "photo").view
    else:
        view = rigid_view(points, rig, "photo").view
    halo = rng.normal(0, picture.halo_mm)
    rock = rng.normal(0, ROCK_SD_MM, 2) / 60
    if any(lean_deg):
        sides = piece.corners_mm[1:3] - piece.corners_mm[:2]
        along = max(sides, key=lambda side: float(side @ side))
        along = along / np.linalg.norm(along)
        leans = np.radians(rng.normal(0, lean_deg))
        rock = rock + leans[0] * along + leans[1] * np.array([-along[1], along[0]])
    seen = _Seen(piece, camera, view, user, halo, rock)
    traces = tuple(_trace(seen, k, rng) for k in range(4))
    told_mm = piece.thickness_mm + rng.normal(0, 0.3)
    return read_piece(view, traces, Quantity(told_mm, 0.3, "mm"), lean_deg=lean_deg)


@dataclass(frozen=True)
class _Seen:
    """A piece before the camera: the true one, and the program's view; how the edges and the top face are off."""

    piece: Workpiece
    camera: Camera
    view: View
    user: User
    halo_mm: float
    rock: np.ndarray


def _relaid(points_mm: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    a, b = rng.uniform(0, 2 * np.pi, 2)
    along = rng.uniform(0, 2 * np.pi)
    ways = points_mm[:, :2] @ np.array([[np.cos(along), -np.sin(along)], [np.sin(along), np.cos(along)]])
    return 2 * RELAID_SD_MM * np.sin(ways[:, 0] / 50 + a) * np.cos(ways[:, 1] / 60 + b)


def _outside(points_mm: np.ndarray, corners_mm: np.ndarray) -> np.ndarray:
    run = np.roll(corners_mm, -1, axis=0) - corners_mm
    normals = np.column_stack([-run[:, 1], run[:, 0]]) / np.linalg.norm(run, axis=1)[:, None]
    off = np.einsum("nki,ki->nk", points_mm[:, None] - corners_mm, normals)
    return off.max(axis=1) > 3.0


def _trace(seen: _Seen, k: int, rng: np.random.Generator) -> Trace:
    """Stations of edge k one pixel apart: the real edge through the real camera, back through the program's view."""
    piece, camera, view, picture = seen.piece, seen.camera, seen.view, seen.user.setting.picture
    start, end = piece.corners_mm[k], piece.corners_mm[(k + 1) % 4]
    length = float(np.linalg.norm(end - start))
    along = (end - start) / length
    normal = np.array([-along[1], along[0]])
    pixel_mm = camera.height_mm / camera.lens.f_px
    at = np.arange(TRIM_MM, length - TRIM_MM, pixel_mm)
    off = sawn_off_mm(piece.cuts[k], at, length)
    pull = float(rng.choice(PULLS))
    # what lies back further is a tear, which is seen
    off = off + pull * np.clip(-off, 0, 4 * piece.cuts[k].rough_mm) + seen.halo_mm
    off = off + rng.normal(0, picture.edge_turn_mm) * (at / length - 0.5)
    edge = start + at[:, None] * along + off[:, None] * normal
    top = -piece.thickness_mm + (edge - MIDDLE_MM) @ seen.rock
    pixels = camera.project(np.column_stack([edge, top]))
    across = camera.project(np.column_stack([edge + 0.01 * normal, top])) - pixels
    across /= np.linalg.norm(across, axis=1)[:, None]
    pixels = pixels + (picture.edge_px * _shared(len(at), rng))[:, None] * across
    pixels = pixels + _colour_left(seen) * (pixels - camera.lens.centre_px)
    kept = rng.random(len(at)) > 0.1
    outward = view.to_table(pixels[[0]] + across[[0]]) - view.to_table(pixels[[0]])
    return Trace(
        view.to_table(pixels[kept]), rng.uniform(0.7, 1.3, int(kept.sum())), 15.0, 1.0, pixel_mm,
        (outward / np.linalg.norm(outward))[0], arris_clear=True, recess_gain=pull,
    )  # fmt: skip


def _colour_left(seen: _Seen) -> float:
    """Magnification that is left where blue and red are laid onto green as the program's view says."""
    told = seen.view.lens.lateral
    blue, red = seen.user.lateral
    return CHANNEL_SHARE * (blue - told[BLUE] + red - told[RED])


def _shared(count: int, rng: np.random.Generator) -> np.ndarray:
    """Unit noise that neighbouring stations share, as their windows overlap."""
    noise = rng.normal(0, 1, count + 1)
    return (noise[1:] + noise[:-1]) / np.sqrt(2)
