"""Cuts that are not square, and mitred frames, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.errors import Field


def format_nominal(nominal_deg: float) -> str:
    """Write a nominal angle with no more digits than it needs: ``45°``, ``67.5°``, ``77.143°``."""
    return f"{nominal_deg:.3f}".rstrip("0").rstrip(".") + "°"


def format_other_half(piece_side: str, nominal_deg: float) -> str:
    """Say that a piece is the other half of its cut than the one told."""
    return (
        f"by its corner this is the piece from the {piece_side.upper()} of the blade, which should have"
        f" {format_nominal(nominal_deg)}; the other half of the same cut has {format_nominal(180.0 - nominal_deg)}"
    )


def format_frame(said: Mapping[str, Field]) -> str:
    """Say what a frame's closing gap makes of each joint and each cut."""
    sides, cuts, joints = (int(str(said[key])) for key in ("sides", "cuts", "joints"))
    joint, joint_u, each, each_u = (
        float(str(said[key])) for key in ("joint_deg", "joint_u_deg", "cut_deg", "cut_u_deg")
    )
    return (
        f"{sides} sides with {cuts} mitre cuts, each meant for {format_nominal(float(str(said['corner_deg'])))}; shared"
        f" out evenly, each of the {joints} joints gapes by {joint:.3f} ± {joint_u:.3f}°, and each cut is off by"
        f" {each:.3f} ± {each_u:.3f}°"
    )
