"""The tone curve from the target's own edges: of painted sheets whose curve and sharpening are known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from tests.edges.coding import coded_between
from tests.photo.develop import developed
from tests.points.scene import page, shoot, tilted
from visioncheck.edges.tone import Tone, calibrate_tone
from visioncheck.photo.light import linear_light
from visioncheck.points.find import find_points
from visioncheck.printed.layout import target_layout


@cache
def sheet():
    layout = target_layout("a4")
    homography, size = tilted(layout, px_per_mm=10.0)
    photo = shoot(page(layout), homography, size, blur_px=0.8)
    return photo, find_points(photo, colours=False)


def tone_of(bgr) -> Tone:
    return calibrate_tone(bgr, sheet()[1])


def of_light(change):
    """The sheet's picture with its light changed."""
    light = change(linear_light(sheet()[0].bgr[..., 1]).astype(float))
    return np.repeat(np.rint(coded_between(np.clip(light, 0, 1))).astype(np.uint8)[..., None], 3, axis=2)


def sharpened(light):
    return light + 0.5 * (light - cv2.GaussianBlur(light, (0, 0), 1.6))


def test_sharpening_in_light_leaves_the_standard_curve():
    tone = tone_of(of_light(sharpened))
    assert tone.edges > 60
    assert tone.balance == pytest.approx(1.0, abs=0.1)
    assert tone.exponent == pytest.approx(1.0, abs=0.05)
    assert tone.u < 0.1


@pytest.mark.parametrize("exponent", [0.5, 0.75, 1.25])
def test_a_curve_of_power_is_found_also_far_off(exponent):
    """And the ± holds it, since sharpening in coded values might have done it all."""
    tone = tone_of(of_light(lambda light: np.maximum(sharpened(light), 0) ** (1 / exponent)))
    assert tone.balance == pytest.approx(exponent, rel=0.12)
    assert abs(tone.exponent - exponent) < 2 * tone.u


@pytest.mark.parametrize("sharpen", [0.0, 0.3, 0.6, 1.2])
def test_what_sharpening_of_coded_values_does_is_within_what_is_said(sharpen):
    """It draws the balance below 1 although the curve is the standard one."""
    tone = tone_of(developed(sheet()[0].bgr, contrast=0, local=0, sharpen=sharpen))
    assert tone.balance is None or tone.balance < 0.8
    assert tone.u > 0.08
    assert abs(tone.exponent - 1) < 2 * tone.u


def test_too_few_edges_say_so():
    photo, points = sheet()
    few = replace(points, index=points.index[:6], sheet=points.sheet[:6], xy_px=points.xy_px[:6])
    tone = calibrate_tone(photo.bgr, few)
    assert (tone.exponent, tone.balance) == (1.0, None)
    assert tone.edges < 12
    assert tone.u > 0.15
