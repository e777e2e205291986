"""The codes of what may be doubtful about a photo or make it unfit; their words are in `present.flags`."""

from __future__ import annotations

from typing import Literal

FlagCode = Literal[
    "blur",
    "glare",
    "low-contrast",
    "short-edge",
    "curved-edge",
    "torn-edge",
    "covered-edge",
    "few-points",
    "tilt",
    "sheet-lifted",
    "lens-moved",
    "thickness-doubtful",
    "tag-contradicts",
    "closure",
    "kind-doubtful",
    "other-kind",
    "seam",
    "no-rig",
    "arris-doubtful",
    "no-target",
    "mirrored",
    "no-piece",
    "two-pieces",
    "off-sheet",
    "cut-off",
    "no-slot",
    "narrow-slot",
    "slot-doubtful",
    "thickness-contradicted",
    "other-rig",
    "not-bare",
]
