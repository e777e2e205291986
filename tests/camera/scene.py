"""Target points of invented prints through an invented lens: what the finder would hand on, with the truth known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from visioncheck.camera.lens import Lens
from visioncheck.camera.view import RigidView, rotation_matrix
from visioncheck.points.model import TargetPoints
from visioncheck.printed.layout import target_layout

WIDTH, HEIGHT = 4000, 3000
LENS = Lens(WIDTH, HEIGHT, np.array([2950.0, 2010.0, 1490.0, 0.03, -0.07, 3e-4, -2e-4, 0.04]))
ROUND = [(-22, 0), (22, 90), (0, 180), (25, 270), (18, 45), (24, 135), (20, 225), (27, 315)]
"""Tilt and roll, deg, of a survey as it should be shot; the tilt's direction goes round with the photos."""


@dataclass(frozen=True)
class Print:
    """Where each saddle point of one home print really is, (points, 3) mm."""

    points_mm: np.ndarray
    sheet: int = 0


def home_print(rng, paper="a4", sheet=0, place=(0.0, 0.0), turn_deg=0.0, scale=1.0, stretch=0.003, shear=0.001):
    """Wrong in scale (`stretch`), shear and shape, slightly wavy; shape and wave by 0.04 mm, standard deviations."""
    nominal = target_layout(paper).saddles_mm
    centred = nominal - nominal.mean(axis=0)
    a, b = (centred / np.abs(centred).max(axis=0)).T
    linear = scale * np.eye(2) + np.diag(rng.normal(0, stretch, 2)) + np.array([[0, rng.normal(0, shear)], [0, 0]])
    shapes = np.stack([a * a, a * b, b * b, a**3, b**3], axis=1)
    flat = centred @ linear.T + shapes @ rng.normal(0, 0.04, (5, 2)) + nominal.mean(axis=0)
    turn = np.radians(turn_deg)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    wave = 0.04 * np.sin(2 * a + rng.uniform(0, 6)) * np.cos(1.5 * b + rng.uniform(0, 6))
    return Print(np.column_stack([flat @ matrix.T + np.array(place), wave]), sheet)


def pose(tilt_deg, roll_deg, toward_deg, aim_mm, distance_mm=430.0, lens=LENS):
    """Look at `aim_mm` from a direction tilted by `tilt_deg`."""
    toward, tilt, roll = np.radians([toward_deg, tilt_deg, roll_deg])
    axis = np.array([np.cos(toward), np.sin(toward), 0.0])
    rotation = rotation_matrix(np.array([0, 0, roll])) @ rotation_matrix(axis * tilt)
    translation = np.array([0, 0, distance_mm]) - rotation @ np.array([*aim_mm, 0.0])
    turn_vector = _vector(rotation)
    return RigidView(lens, turn_vector, translation)


def _vector(rotation):
    import cv2

    return cv2.Rodrigues(rotation)[0][:, 0]


def photograph(view, prints, rng, noise_px=0.03, paper="a4", lateral=(0.0, 0.0), keep=None):
    """The points that fall into the picture, with noise; `keep` may hide some."""
    sheet = np.concatenate([np.full(len(p.points_mm), p.sheet) for p in prints])
    index = np.concatenate([np.arange(len(p.points_mm)) for p in prints])
    points = np.concatenate([p.points_mm for p in prints])
    pixels = view.project(points)
    inside = np.all((pixels > 20) & (pixels < np.array([WIDTH, HEIGHT]) - 20), axis=1)
    if keep is not None:
        inside &= keep(points)
    sheet, index, pixels = sheet[inside], index[inside], pixels[inside]
    green = pixels + rng.normal(0, noise_px, pixels.shape)
    blue, red = (green + rate * (pixels - LENS.centre_px) + rng.normal(0, 0.02, pixels.shape) for rate in lateral)
    return TargetPoints(paper, "light", sheet, index, green, np.full(len(green), noise_px), blue, red, 1.0)


def survey_photos(prints, rng, attitudes=ROUND, lens=LENS, distance_mm=430.0, paper="a4", **how):
    """One photo for each (tilt, roll)."""
    aim = np.concatenate([p.points_mm for p in prints])[:, :2].mean(axis=0)
    return [
        photograph(pose(tilt, roll, 47 * n, aim, distance_mm, lens), prints, rng, paper=paper, **how)
        for n, (tilt, roll) in enumerate(attitudes)
    ]
