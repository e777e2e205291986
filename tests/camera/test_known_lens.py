"""What is known of a lens and a print before any survey, against geometry; and which way lateral colour goes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.camera.scene import HEIGHT, WIDTH, Print, photograph, pose, survey_photos
from tests.camera.test_views import standard_u
from visioncheck.camera.lens import Lens
from visioncheck.camera.plane_fit import default_lens, plane_view
from visioncheck.camera.survey import survey
from visioncheck.printed.layout import target_layout

BLUE, GREEN, RED = range(3)


@pytest.mark.parametrize("focal_mm", [14, 26, 50, 77])
def test_the_35_mm_equivalent_on_the_35_mm_frame_itself(focal_mm):
    """A frame of 36 by 24 mm with 200 px a millimetre: there the equivalent is the focal length (ISO 1007's frame)."""
    lens = default_lens(36 * 200, 24 * 200, focal_mm)
    assert lens.f_px == pytest.approx(focal_mm * 200, rel=2e-4)


def test_a_phone_sees_as_wide_as_its_equivalent_says():
    """Diagonal angle of view of 26 mm on 36 by 24 mm: 2 atan(√(36² + 24²) / 2 / 26) = 79.5°, whatever the format."""
    lens = default_lens(4032, 3024, 26)
    diagonal = math.hypot(4032, 3024)
    assert math.degrees(2 * math.atan(diagonal / 2 / lens.f_px)) == pytest.approx(79.5, abs=0.05)


def test_a_channel_that_is_magnified_lies_further_out():
    lens = Lens(4000, 3000, np.array([3000.0, 2000, 1500, 0, 0, 0, 0, 0]), lateral=(2e-4, 0.0, -1e-4))
    # 500 px to the right and 400 px up of the centre in green
    direction = np.array([[500 / 3000, -400 / 3000]])
    assert lens.pixels(direction, GREEN) == pytest.approx(np.array([[2500, 1100]]))
    assert lens.pixels(direction, BLUE) == pytest.approx(np.array([[2500.1, 1099.92]]))
    assert lens.pixels(direction, RED) == pytest.approx(np.array([[2499.95, 1100.04]]))
    for channel in (BLUE, GREEN, RED):
        assert lens.directions(lens.pixels(direction, channel), channel) == pytest.approx(direction)


def a_true_print():
    return Print(np.column_stack([target_layout("a4").saddles_mm, np.zeros(len(target_layout("a4").saddles_mm))]))


def test_the_scale_is_as_uncertain_as_a_rule_read_to_half_a_millimetre():
    """Read to the nearest half millimetre: ± 0.25 mm, rectangular, 0.25/√3 = 0.144 mm (JCGM 100, 4.3.7).

    Without a ruled length that of a home print: 0.1 to 0.4 % off (shared notes on prints, no other source).
    """
    photos = survey_photos([a_true_print()], np.random.default_rng(32))
    ruled = survey(photos, WIDTH, HEIGHT, 310.0)
    assert ruled.scale_u_rel * 310.0 == pytest.approx(0.25 / math.sqrt(3), rel=0.1)
    assert 0.003 <= survey(photos, WIDTH, HEIGHT, None).scale_u_rel <= 0.005


def test_without_a_rig_a_right_angle_is_as_uncertain_as_prints_are_sheared():
    """Eight home prints with known shape were sheared by 0.0006 to 0.0023 rad; 0.002 rad is 0.115°.

    The angle of a small square in the middle, seen from above, hardly feels the print's other shapes.
    """
    layout = target_layout("a4")
    view = pose(0, 0, 0, (105, 148), 430.0)
    points = photograph(view, [a_true_print()], np.random.default_rng(33), noise_px=0.001)
    fit = plane_view(points, WIDTH, HEIGHT, None, "photo")
    middle = (layout.saddles_mm.min(axis=0) + layout.saddles_mm.max(axis=0)) / 2
    square = middle[:2] + 10 * np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])
    u = standard_u(fit.view, view.to_image(square, 0.0))
    assert u == pytest.approx(np.full(4, 0.115), rel=0.2)
