"""Whatever is told with a typed reading changes the answer, or is refused: nobody believes that it counted."""

from __future__ import annotations

import pytest

from visioncheck.errors import UserError
from visioncheck.fence.typed import compute_typed

GAP = {"turned": "left", "opens": "far"}
MODES = {
    "rear": {"rear": "31.02mm", "front": "30.10mm", "length": "300mm"},
    "taper": {"taper": "0.1deg", "wide": "rear"},
    "angle": {"angle": "90.05"},
    "again": {"angle": "90.05", "again": "90.02", "recut": "end for end"},
    "corners": {"corners": "90.05,90.05,90.05,89.85"},
    "wedge": {"wedge": "0.2deg", **GAP},
    "wedge over a length": {"wedge": "0.5mm", "length": "200mm", **GAP},
    "frame": {"wedge": "0.4deg", "frame": "4", "opens": "outside", "at_fence": "outer"},
    "edge_gap": {"edge_gap": "0.1mm", "length": "500mm", "opens": "middle"},
    "lifted": {"lifted": "2.62mm,2.58mm", "length": "200mm"},
    "bevel": {"bevel": "90.1", "height": "40mm"},
    "bevel_wedge": {"bevel_wedge": "0.2deg", **GAP},
}
TOLD = {
    "side": ("left", "right"), "fence": ("rear", "front"), "nominal": ("90", "45", "88"),
    "u": ("0.3mm", "0.2deg"), "cuts": ("2", "4"), "length": ("123mm", "222mm"), "height": ("20mm", "60mm"),
    "turned": ("right",), "opens": ("straightedge", "ends", "inside"), "wide": ("front",), "tip": ("2.4mm",),
    "other_end": ("2.6mm,2.5mm",), "pulled_back": ("2.6mm,2.6mm",), "at_fence": ("inner",), "frame_cuts": ("6",),
    "again": ("90.01",), "recut": ("second edge",), "front": ("30mm",), "taper": ("0.2deg",),
}  # fmt: skip
SAW = ("side", "fence", "nominal")
SAME = {
    *(("rear", name) for name in ("fence", "nominal")),
    *(("taper", name) for name in ("fence", "nominal")),
    *((mode, name) for mode in ("wedge", "wedge over a length") for name in ("side", "nominal")),
    ("corners", "nominal"),
    ("frame", "nominal"),
}
"""Told or not, it comes to the same: so the arithmetic says. Another angle is refused with the reason."""


def answer(given, **saw):
    try:
        found = compute_typed(given, **saw)
    except UserError:
        return None
    return repr((found.error, found.travel, found.fence_bow, found.two_cuts, found.notes, found.cut_height_mm))


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("told", TOLD)
def test_what_is_told_counts_or_is_refused(mode, told):
    base = MODES[mode]
    given = [base if told in SAW else base | {told: value} for value in TOLD[told]]
    saws = [{told: value} if told in SAW else {} for value in TOLD[told]]
    answers = [answer(each, **saw) for each, saw in zip(given, saws, strict=True)]
    taken = [each for each in answers if each is not None]
    before = answer(base)
    assert before is not None
    if (mode, told) in SAME:
        assert taken
        assert set(taken) == {before}
        return
    assert not taken or any(each != before for each in taken)
