"""Whether a photo is of the same camera: what each of the three questions takes for another one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from visioncheck.camera.from_photos import require_same_camera
from visioncheck.camera.same import CameraSettings, difference
from visioncheck.errors import UserError

PHONE = CameraSettings((4000, 3000), "Example", "Phone Q", 5.4, 26.0)


@pytest.mark.parametrize(
    ("change", "aspect"),
    [
        ({"size": (3000, 4000)}, "size"),
        ({"make": "Sample"}, "phone"),
        ({"model": "Phone R"}, "phone"),
        ({"focal_mm": 2.2}, "lens"),
        ({"focal_35mm": 52.0}, "zoom"),
    ],
)
@pytest.mark.parametrize("silence_differs", [False, True])
def test_each_difference_is_told(change, aspect, silence_differs):
    other = replace(PHONE, **change)
    assert difference(PHONE, other, silence_differs=silence_differs) == aspect
    with pytest.raises(UserError, match="pixels" if aspect == "size" else aspect):
        require_same_camera("b.jpg", "a.jpg", other, PHONE)


@pytest.mark.parametrize("unsaid", ["make", "model", "focal_mm", "focal_35mm"])
def test_silence_is_a_difference_between_photos_of_one_series_alone(unsaid):
    silent = replace(PHONE, **{unsaid: None})
    for pair in ((silent, PHONE), (PHONE, silent)):
        assert difference(*pair, silence_differs=False) is None
        assert difference(*pair, silence_differs=True) is not None
    assert difference(silent, silent, silence_differs=True) is None
