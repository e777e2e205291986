"""The codes of what may be doubtful about a photo or make it unfit; their words are in `present.flags`."""

from __future__ import annotations

from typing import Literal

FlagCode = Literal[
    "no-target",
    "mirrored",
    "other-rig",
    "few-points",
    "cut-off",
    "tilt",
    "blur",
    "glare",
    "sheet-lifted",
    "lens-moved",
    "off-sheet",
    "two-pieces",
    "no-piece",
    "not-bare",
    "covered-edge",
    "low-contrast",
    "arris-doubtful",
    "seam",
    "no-slot",
    "narrow-slot",
    "slot-doubtful",
    "torn-edge",
    "curved-edge",
    "short-edge",
    "other-kind",
    "kind-doubtful",
    "outer-side",
    "closure",
    "tag-contradicts",
    "thickness-contradicted",
    "thickness-doubtful",
    "no-rig",
]
"""In the order in which they are mended: where the camera stands, the picture, the sheet, what lies on it, the light on
an edge, the work, what was told of it, and at last the survey, which is no matter of this photo."""
