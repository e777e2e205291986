"""A renderer of small targets with known truth: areas are sampled, so that each pixel is the mean of its light."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from visioncheck.photo.load import Exif, Photo
from visioncheck.printed.layout import IDS_PER_SHEET, TargetLayout

DOTS_PER_MM = 20
PAPER, INK = 0.8, 0.06
OVERSAMPLED = 4


def page(layout: TargetLayout, sheet: int = 0, field: str = "light") -> np.ndarray:
    """The sheet's reflectance, dots of 1/20 mm; written from the written layout, not from the program's drawing."""
    paper = layout.paper
    dots = np.full((round(paper.height_mm * DOTS_PER_MM), round(paper.width_mm * DOTS_PER_MM)), PAPER, np.float32)

    def fill(x, y, width, height, value):
        left, top, right, bottom = (round(v * DOTS_PER_MM) for v in (x, y, x + width, y + height))
        dots[top:bottom, left:right] = value

    s = paper.square_mm
    x0, y0 = layout.origin_mm
    columns, rows = layout.columns, layout.rows
    mark = PAPER if field == "dark" else INK
    if field == "dark":
        fill(x0 + 2 * s, y0 + 2 * s, (columns - 4) * s, (rows - 4) * s, INK)
    for j in range(rows):
        for i in range(columns):
            if min(i, columns - 1 - i) < 2 or min(j, rows - 1 - j) < 2:
                if (i + j) % 2 == 0:
                    fill(x0 + i * s, y0 + j * s, s, s, INK)
            elif i >= 3 and j >= 3 and i % 2 == 0 and j % 2 == 0:
                fill(x0 + (i - 0.25) * s, y0 + (j - 0.25) * s, 0.25 * s, 0.25 * s, mark)
                fill(x0 + i * s, y0 + j * s, 0.25 * s, 0.25 * s, mark)
    _fill_markers(fill, layout, sheet)
    return dots


def _fill_markers(fill, layout: TargetLayout, sheet: int) -> None:
    s = layout.paper.square_mm
    x0, y0 = layout.origin_mm
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    for order, (i, j) in enumerate(layout.marker_squares):
        bits = cv2.aruco.generateImageMarker(dictionary, IDS_PER_SHEET * sheet + order, 7, borderBits=1)
        module = 0.7 * s / 7
        for row in range(7):
            for column in range(7):
                x, y = x0 + (i + 0.15) * s + column * module, y0 + (j + 0.15) * s + row * module
                if not bits[row, column]:
                    fill(x, y, module, module, INK)


def shoot(dots, homography, size, *, blur_px=0.8, noise=0.01, light=None, cover=None, seed=0):
    """Photograph dots through a homography (page mm to px): area-sampled, blurred, noisy, sRGB-coded."""
    width, height = size
    fine = OVERSAMPLED
    # pixel p of the picture covers the fine pixels fine·p … fine·p + fine − 1; centres at integers in both
    to_fine = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1.0]])
    to_mm = np.array([[1 / DOTS_PER_MM, 0, 0.5 / DOTS_PER_MM], [0, 1 / DOTS_PER_MM, 0.5 / DOTS_PER_MM], [0, 0, 1.0]])
    picture = cv2.warpPerspective(
        dots,
        to_fine @ homography @ to_mm,
        (width * fine, height * fine),
        flags=cv2.INTER_LINEAR,
        borderValue=0.2,
    )
    picture = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)
    if light is not None:
        picture = picture * light
    if cover is not None:
        picture = np.where(cover, 0.35, picture)
    picture = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), blur_px)
    random = np.random.default_rng(seed)
    picture = picture + random.normal(0, noise, picture.shape) * np.sqrt(np.maximum(picture, 0.02))
    picture = np.clip(picture, 0, 1)
    coded = np.where(picture <= 0.0031308, 12.92 * picture, 1.055 * picture ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    levels = np.round(coded * 255).astype(np.uint8)
    return Photo(Path("synthetic.png"), np.repeat(levels[:, :, None], 3, axis=2), Exif(), "")


def tilted(layout: TargetLayout, px_per_mm=8.0, roll_deg=7.0, tilt_deg=20.0):
    """A homography of a pinhole camera above the sheet's middle, and a picture size that holds the sheet."""
    paper = layout.paper
    size = (round(px_per_mm * paper.width_mm * 1.15), round(px_per_mm * paper.height_mm * 1.15))
    distance = 350.0
    focal = px_per_mm * distance
    roll, tilt = np.radians([roll_deg, tilt_deg])
    turn = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    lean = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    rotation = lean @ turn
    middle = np.array([paper.width_mm / 2, paper.height_mm / 2, 0])
    shift = np.array([0, 0, distance]) - rotation @ middle
    camera = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1]])
    return camera @ np.column_stack([rotation[:, 0], rotation[:, 1], shift]), size


def through(homography, points_mm):
    mapped = np.column_stack([points_mm, np.ones(len(points_mm))]) @ homography.T
    return mapped[:, :2] / mapped[:, 2:]
