"""An invented user's phone and hand: what they do to the geometry of each photo, and its development to the picture.

Sizes are those that published measurements of phones give; where nothing was published it says so. The camera here is
worked out anew for the truth: of the program it uses the lens model alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.camera.scene import HEIGHT, LENS, WIDTH, pose
from visioncheck.camera.lens import GREEN, Lens

FOCAL_MM = 6.0
"""Of a phone's main lens: 4 … 7 mm as EXIF tells of phones (from memory)."""
DISTORTION_SD = np.array([5e-4, 1e-3, 3e-5, 3e-5, 0.0])
"""k1, k2, p1, p2, k3: how far refocusing may bend the lens anew in each photo; an assumption."""
HEAVY_TAILS_DOF = 4.0
TREMOR_RAD = 2.0
"""Phase that a hand's tremor goes through while a photo is read: 16 Hz in 20 ms, or 10 Hz in 32 ms (physiological
tremor is 8 … 12 Hz; from memory)."""
_MIXED = 0.7
"""Correlation of what comes together; the rest is independent."""


@dataclass(frozen=True)
class Hand:
    """How a phone is held, as standard deviations of what each photo gets.

    Attributes
    ----------
    axis_px : float
        Where stabilisation leaves the principal point, each axis.
    turn_rad : float
        Turn about the optical axis from the first row's reading to the last one's; nodding is a third of it.
    shift_mm : float
        Shift in the same time, each axis.
    """

    name: str
    axis_px: float
    turn_rad: float
    shift_mm: float

    @property
    def sizes(self) -> np.ndarray:
        """Standard deviations of principal point (2), turn (3) and shift (3)."""
        nod = self.turn_rad / 3
        return np.array([*[self.axis_px] * 2, nod, nod, self.turn_rad, *[self.shift_mm] * 3])


STILL = Hand("still", 1.0, 0.0, 0.0)
"""On a stand: only the focusing moves anything."""
CALM, HELD, SHAKY = Hand("calm", 4, 1.5e-4, 0.06), Hand("held", 8, 4e-4, 0.16), Hand("shaky", 16, 1e-3, 0.4)
HANDS = (STILL, CALM, HELD, SHAKY)


@dataclass(frozen=True)
class Habits:
    """How the hand's motions come about.

    Attributes
    ----------
    heavy_tails : bool
        Student's t of 4 degrees of freedom, of the same variance, in place of a normal distribution.
    tremor_rad : float
        Phase of a sine in place of a steady motion; 0 for steady.
    together : float
        Correlation of the shift with the turn and with the stabiliser's answer to it.
    pan : float
        Correlation of the motions of any two of a user's photos, in the phone's own frame (a thumb that always
        presses from the same side).
    bends : bool
        Whether refocusing bends the lens, by `DISTORTION_SD`.
    """

    name: str
    heavy_tails: bool = False
    tremor_rad: float = 0.0
    together: float = 0.0
    pan: float = 0.0
    bends: bool = False


STEADY = Habits("as modelled")
"""What the program assumes too."""
OTHERWISE = Habits("otherwise", heavy_tails=True, tremor_rad=TREMOR_RAD, together=_MIXED, pan=0.5, bends=True)
"""Wrong in every respect for a program that assumes `STEADY`; of the same size."""


@dataclass(frozen=True)
class Picture:
    """What development leaves of points and edges.

    Attributes
    ----------
    point_px, edge_px : float
        Noise of a found point and of an edge's station.
    halo_mm : float
        How far a tone curve and sharpening move all edges of a piece outwards alike, standard deviation.
    edge_turn_mm : float
        The same, one end of an edge against the other (tone mapped locally, blur that changes); an assumption.
    warp_px : float
        Smooth local distortion beyond the lens model, rms.
    lateral : float
        Lateral colour of blue and of red, relative, standard deviation over phones.
    """

    name: str
    point_px: float
    edge_px: float
    halo_mm: float
    edge_turn_mm: float = 0.0
    warp_px: float = 0.0
    lateral: float = 0.0


MILD = Picture("mild", point_px=0.03, edge_px=0.12, halo_mm=0.012)
DEVELOPED = Picture("developed", 0.08, 0.2, halo_mm=0.015, edge_turn_mm=0.003, warp_px=0.1, lateral=1.2e-4)


@dataclass(frozen=True)
class Setting:
    """One column of the trial."""

    hand: Hand = STILL
    picture: Picture = MILD
    habits: Habits = STEADY

    @property
    def name(self) -> str:
        """In words."""
        return f"{self.hand.name} hand, {self.picture.name}, motion {self.habits.name}"


@dataclass(frozen=True)
class Warp:
    """A smooth field of shifts, px: sines over the picture, (waves,) each."""

    across: np.ndarray
    along: np.ndarray
    phase: np.ndarray
    size_px: np.ndarray

    def at(self, pixels: np.ndarray) -> np.ndarray:
        """Shifts (n, 2) at pixels (n, 2)."""
        if not len(self.phase):
            return np.zeros_like(pixels)
        x, y = (pixels / WIDTH).T
        waves = np.sin(2 * np.pi * (x[:, None] * self.across + y[:, None] * self.along) + self.phase)
        return waves @ self.size_px


def _warp(rng: np.random.Generator, size_px: float) -> Warp:
    count = 6 if size_px else 0
    sizes = rng.normal(0, 1, (count, 2))
    # the mean square of a sine is 1/2
    sizes *= size_px * np.sqrt(2) / np.maximum(np.linalg.norm(sizes, axis=0), 1e-9)
    return Warp(rng.uniform(-1.5, 1.5, count), rng.uniform(-1.5, 1.5, count), rng.uniform(0, 7, count), sizes)


@dataclass(frozen=True)
class User:
    """One phone in one hand.

    Attributes
    ----------
    lateral : (2,) tuple of float
        Of blue and red.
    pan : (6,) ndarray
        What this user's motions have in common, in standard deviations.
    """

    setting: Setting
    warp: Warp
    lateral: tuple[float, float]
    pan: np.ndarray

    def shoot(
        self,
        tilt_deg: float,
        roll_deg: float,
        toward_deg: float,
        aim_mm: np.ndarray,
        distance_mm: float,
        rng: np.random.Generator,
    ) -> Camera:
        """Point the phone at `aim_mm` from a direction tilted by `tilt_deg`, and press the button."""
        hand, habits = self.setting.hand, self.setting.habits
        kicks = hand.sizes * self._kicks(rng)
        terms = LENS.terms + np.concatenate([np.zeros(3), rng.normal(0, habits.bends, 5) * DISTORTION_SD])
        terms[0] *= 1 + FOCAL_MM / distance_mm
        terms[1:3] += kicks[:2]
        aimed = pose(tilt_deg, roll_deg, toward_deg, aim_mm, distance_mm)
        phase = rng.uniform(0, 2 * np.pi, 6)
        return Camera(
            LENS.with_terms(terms), aimed.matrix, aimed.translation_mm, kicks[2:], habits.tremor_rad, phase, self.warp
        )

    def _kicks(self, rng: np.random.Generator) -> np.ndarray:
        habits = self.setting.habits
        dof = HEAVY_TAILS_DOF
        drawn = rng.standard_t(dof, 8) / np.sqrt(dof / (dof - 2)) if habits.heavy_tails else rng.normal(0, 1, 8)
        axis, turn, shift = drawn[:2], drawn[2:5], drawn[5:]
        both, own = habits.together, np.sqrt(1 - habits.together**2)
        turn = own * turn + both * np.array([shift[1], -shift[0], shift[0]])
        axis = own * axis - both * shift[:2]
        moved = np.sqrt(habits.pan) * self.pan + np.sqrt(1 - habits.pan) * np.concatenate([turn, shift])
        return np.concatenate([axis, moved])


def user_of(setting: Setting, rng: np.random.Generator) -> User:
    """Draw a user: the phone's own faults, and what the hand always does."""
    picture = setting.picture
    blue, red = rng.normal(0, 1, 2) * picture.lateral
    return User(setting, _warp(rng, picture.warp_px), (float(blue), float(red)), rng.normal(0, 1, 6))


@dataclass(frozen=True)
class Camera:
    """The true camera of one photo, whose rows are read one after the other.

    A point is at R p + t in the middle row's time. By a row's time s = row/height − ½, of the rows as stored, it
    has moved by ω × p + v times the path gone by then.

    Attributes
    ----------
    moved : (6,) ndarray
        ω, rad, and v, mm: from the first row's reading to the last one's.
    tremor_rad, phase : float, (6,) ndarray
        Where each motion is on its sine in the middle row's time, and how far it goes on.
    """

    lens: Lens
    matrix: np.ndarray
    translation_mm: np.ndarray
    moved: np.ndarray
    tremor_rad: float
    phase: np.ndarray
    warp: Warp = field(repr=False)

    @property
    def centre_mm(self) -> np.ndarray:
        """In the table frame, in the middle row's time."""
        return np.asarray(-self.matrix.T @ self.translation_mm)

    @property
    def height_mm(self) -> float:
        """Above the paper."""
        return -float(self.centre_mm[2])

    def project(self, points_mm: np.ndarray, channel: int = GREEN) -> np.ndarray:
        """Pixels (n, 2) of points (n, 3), each in its own row's time."""
        middle = points_mm @ self.matrix.T + self.translation_mm
        pixels = self._seen(middle, channel)
        # a row's time moves its point by thousandths of what the motion moves it
        for _ in range(4):
            amount = self.path(pixels[:, 1] / HEIGHT - 0.5)
            moved = middle + np.cross(amount[:, :3], middle) + amount[:, 3:]
            pixels = self._seen(moved, channel)
        return pixels

    def path(self, times: np.ndarray) -> np.ndarray:
        """Turn and shift (n, 6) by the rows' times (n,)."""
        if not self.tremor_rad:
            return np.outer(times, self.moved)
        swing = np.sin(self.phase + self.tremor_rad * times[:, None]) - np.sin(self.phase)
        return np.sqrt(2) * swing / self.tremor_rad * self.moved

    def on_paper(self, points_mm: np.ndarray, thickness_mm: float) -> np.ndarray:
        """Where points (n, 2) of a top face hide the paper, (n, 2)."""
        foot = self.centre_mm[:2]
        return np.asarray(foot + (points_mm - foot) / (1 - thickness_mm / self.height_mm))

    def _seen(self, points_mm: np.ndarray, channel: int) -> np.ndarray:
        pixels = self.lens.pixels(points_mm[:, :2] / points_mm[:, 2:], channel)
        return pixels + self.warp.at(pixels)
