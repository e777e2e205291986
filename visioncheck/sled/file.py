"""What a sled file holds: its tables, keys and limits."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from visioncheck import checks
from visioncheck.errors import UserError
from visioncheck.files import parse_toml, read_text
from visioncheck.sled.model import Screw, Shims, Sled
from visioncheck.tables import Name, Slip, Table, fill, format_key, limits
from visioncheck.units import deg_from_slope, parse_slope

_LARGEST_FILE = 100_000
_MOST_LEAVES = 60
_SLOPE = 'write for example "0.005in/ft" or "0.3mm/m"'
_DEGREES = 'write it such as "45deg" or "22.5deg"'
_LEAST_MITRE_DEG, _MOST_MITRE_DEG = 1.0, 75.0


def _tolerance(value: Any) -> float:
    if not isinstance(value, str):
        raise ValueError(f"is missing or has no unit; {_SLOPE}")  # noqa: TRY004 - pydantic takes this kind
    try:
        angle = deg_from_slope(parse_slope(value))
    except UserError as error:
        raise ValueError(f"is wrong: {error}") from None
    finest, coarsest = checks.TOLERANCE_FINEST_DEG, checks.TOLERANCE_COARSEST_DEG
    if not finest <= angle <= coarsest:
        raise ValueError(f"is {angle:g}°; that should lie between {finest:g}° and {coarsest:g}°")
    return angle


def _mitre(value: Any) -> float:
    bare = value.strip().removesuffix("deg").removesuffix("°").strip() if isinstance(value, str) else ""
    angle = float(bare) if re.fullmatch(r"\d{1,2}(\.\d{0,9})?", bare) else math.nan
    if not _LEAST_MITRE_DEG <= angle <= _MOST_MITRE_DEG:
        raise ValueError(f"is no angle from {_LEAST_MITRE_DEG:g} to {_MOST_MITRE_DEG:g} degrees off square; {_DEGREES}")
    return angle


class FenceTable(Table):
    """The fence: on which side of the work, which end stays, how long, where it is moved."""

    side: Literal["rear", "front"]
    pivot: Literal["left", "right"]
    length: Annotated[float, limits(50, 5000)]
    adjuster_distance: Annotated[float, limits(50, 5000)]
    mitre: Annotated[float, BeforeValidator(_mitre), Field(description=_DEGREES)] = 0.0
    forward: Literal["left", "right"] | None = None


class ShimsTable(Table):
    """Leaves against a stop."""

    kind: Literal["shims"]
    leaves: Annotated[
        list[Annotated[float, limits(0.005, 10)]],
        Field(
            min_length=1,
            max_length=_MOST_LEAVES,
            description=f'list 1 to {_MOST_LEAVES} leaves, for example ["0.002in", "0.003in"] or ["0.05mm", "0.10mm"]',
        ),
    ]

    def adjuster(self) -> Shims:
        """As the correction needs it."""
        return Shims(tuple(self.leaves))


class ScrewTable(Table):
    """An adjusting screw."""

    kind: Literal["screw"]
    pitch: Annotated[float, limits(0.1, 10)]
    clockwise: Literal["forward", "back"]

    def adjuster(self) -> Screw:
        """As the correction needs it."""
        return Screw(self.pitch, self.clockwise)


class BladeTable(Table):
    """The blade's cut as measured, and over its teeth as marked."""

    kerf: Annotated[float, limits(0.3, 30)] | None = None
    tip_width: Annotated[float, limits(0.3, 30)] | None = None
    tilt_tolerance: Annotated[float, BeforeValidator(_tolerance), Field(description=_SLOPE)] = checks.TILT_TOLERANCE_DEG


class PieceTable(Table):
    """Which side of the blade test pieces are kept from."""

    side: Literal["left", "right"] = "left"


class SledTable(Table):
    """The whole file."""

    name: Name
    units: Literal["in", "mm"]
    tolerance: Annotated[float, BeforeValidator(_tolerance), Field(description=_SLOPE)]
    fence: FenceTable
    adjuster: Annotated[ShimsTable | ScrewTable, Field(discriminator="kind")]
    blade: BladeTable = BladeTable()
    piece: PieceTable = PieceTable()


def load_sled(path: Path) -> Sled:
    """Read a sled file.

    Raises
    ------
    UserError
        Naming the file and the line (broken TOML) or the key (a value that cannot be).
    """
    return parse_sled(sled_text(path), str(path))


def sled_text(path: Path) -> str:
    """Read a sled file's text; raises UserError where there is none."""
    return read_text(path, "sled file", "write one with: visioncheck sled NEW.toml", _LARGEST_FILE)


def parse_sled(text: str, name: str) -> Sled:
    """Read a sled from TOML text; `name` is what error messages call the file.

    Raises
    ------
    UserError
        Naming the file and the line (broken TOML) or the key (a value that cannot be).
    """
    data = parse_toml(text, name, "a sled file")
    units = data.get("units")
    try:
        table = fill(SledTable, data, "a sled file", units if units in {"in", "mm"} else None)
    except Slip as slip:
        raise UserError(f"{name}: {format_key(slip.path)} {slip.sentence}") from None
    if (table.fence.mitre > 0) != (table.fence.forward is not None):
        raise UserError(
            f"{name}: mitre and forward in [fence] belong together: how far from square the fence is set, and which end"
            " of it then stands forward, left or right; give both, or none for a square sled"
        )
    return Sled(
        name=table.name,
        units=table.units,
        tolerance_deg=table.tolerance,
        fence_side=table.fence.side,
        pivot=table.fence.pivot,
        adjuster_distance_mm=table.fence.adjuster_distance,
        fence_length_mm=table.fence.length,
        adjuster=table.adjuster.adjuster(),
        kerf_mm=table.blade.kerf,
        tip_width_mm=table.blade.tip_width,
        piece_side=table.piece.side,
        tilt_tolerance_deg=table.blade.tilt_tolerance,
        turned_deg=table.fence.mitre * (1.0 if table.fence.forward == "right" else -1.0) if table.fence.mitre else 0.0,
    )
