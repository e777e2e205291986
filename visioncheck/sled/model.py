"""The crosscut sled as its owner describes it, in a TOML file."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, Literal, cast

from visioncheck.errors import UserError
from visioncheck.files import parse_toml, read_text
from visioncheck.saw import Saw
from visioncheck.units import UnitWorld, deg_from_slope, parse_length, parse_slope

if TYPE_CHECKING:
    from pathlib import Path

End = Literal["left", "right"]
Way = Literal["forward", "back"]

_KEYS: dict[str, tuple[str, ...]] = {
    "": ("name", "units", "tolerance", "fence", "adjuster", "blade", "piece"),
    "fence": ("side", "pivot", "length", "adjuster_distance"),
    "adjuster": ("kind", "leaves", "pitch", "clockwise"),
    "blade": ("kerf", "tip_width"),
    "piece": ("side",),
}
_LARGEST_FILE = 100_000
_MOST_LEAVES = 60


@dataclass(frozen=True, slots=True)
class Shims:
    """Leaves (feelers, shims) that the owner has, thickness in mm, one entry for each leaf."""

    leaves_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Screw:
    """An adjusting screw: travel of the fence a turn, and which way a clockwise turn moves the fence there."""

    pitch_mm: float
    clockwise: Way


@dataclass(frozen=True, slots=True)
class Sled:
    """A crosscut sled.

    Parameters
    ----------
    name : str
        What its owner calls it.
    units : {"in", "mm"}
        Units to speak in first.
    tolerance_deg : float
        Largest fence error to live with, deg.
    fence_side : {"rear", "front"}
        Rear: the fence on the operator's side of the work.
    pivot : {"left", "right"}
        The end of the fence that stays.
    adjuster_distance_mm : float
        From the pivot to the place where the fence is moved.
    fence_length_mm : float
        Length over which an error is said.
    adjuster : Shims or Screw
        What moves the fence.
    kerf_mm : float or None
        Width of the blade's cut as measured.
    tip_width_mm : float or None
        Nominal width over the blade's teeth.
    piece_side : {"left", "right"}
        Side of the blade that test pieces are kept from.
    """

    name: str
    units: UnitWorld
    tolerance_deg: float
    fence_side: Literal["rear", "front"]
    pivot: End
    adjuster_distance_mm: float
    fence_length_mm: float
    adjuster: Shims | Screw
    kerf_mm: float | None
    tip_width_mm: float | None
    piece_side: End

    @property
    def saw(self) -> Saw:
        """How the saw stands for its test cuts, as their signs need it."""
        return Saw(self.fence_side, self.piece_side)

    @property
    def moving_end(self) -> End:
        """The end that is adjusted."""
        return "right" if self.pivot == "left" else "left"


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
    """Read a sled from TOML text; `name` is what error messages call the file."""
    data = parse_toml(text, name, "a sled file")
    return _Reader(data, name).sled()


class _Reader:
    """Takes values out of parsed TOML; every complaint names file and key."""

    def __init__(self, data: dict[str, Any], name: str) -> None:
        self._data, self._name = data, name

    def sled(self) -> Sled:
        for section, keys in _KEYS.items():
            self._refuse_unknown(section, keys)
        units = cast("UnitWorld", self._choice("units", ("in", "mm")))
        return Sled(
            name=self._text("name"),
            units=units,
            tolerance_deg=self._tolerance(),
            fence_side=cast("Literal['rear', 'front']", self._choice("fence.side", ("rear", "front"))),
            pivot=cast("End", self._choice("fence.pivot", ("left", "right"))),
            adjuster_distance_mm=self._length("fence.adjuster_distance", units, 50, 5000),
            fence_length_mm=self._length("fence.length", units, 50, 5000),
            adjuster=self._adjuster(units),
            kerf_mm=self._optional_length("blade.kerf", units, 0.3, 30),
            tip_width_mm=self._optional_length("blade.tip_width", units, 0.3, 30),
            piece_side=cast("End", self._choice("piece.side", ("left", "right"), default="left")),
        )

    def _complaint(self, key: str, what: str) -> UserError:
        return UserError(f"{self._name}: {key} {what}")

    def _refuse_unknown(self, section: str, keys: tuple[str, ...]) -> None:
        table = self._data.get(section, {}) if section else self._data
        if not isinstance(table, dict):
            raise self._complaint(section, f"must be a table, [{section}] on a line of its own")
        for key in table:
            if key not in keys:
                full = f"{section}.{key}" if section else key
                near = get_close_matches(key, keys, n=1)
                hint = f"did you mean {near[0]}?" if near else f"known here: {', '.join(keys)}"
                raise self._complaint(repr(full)[1:-1], f"is no key of a sled file; {hint}")

    def _get(self, key: str) -> Any:
        section, _, name = key.rpartition(".")
        return (self._data.get(section, {}) if section else self._data).get(name)

    def _text(self, key: str) -> str:
        value = self._get(key)
        if not isinstance(value, str) or not value.strip() or not value.isprintable() or len(value) > 100:
            raise self._complaint(key, 'is missing or no name; write for example name = "Long sled"')
        return value.strip()

    def _choice(self, key: str, choices: tuple[str, ...], default: str | None = None) -> str:
        value = self._get(key)
        if value is None and default is not None:
            return default
        if value not in choices:
            said = "is missing" if value is None else f"is {value!r:.40}"
            raise self._complaint(key, f"{said}; write {' or '.join(repr(c) for c in choices)}")
        return str(value)

    def _measure(self, key: str, value: Any, units: UnitWorld) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            said = "is missing" if value is None else "is no length"
            raise self._complaint(key, f'{said}; write for example "24in", "18 1/2in" or "600mm"')
        try:
            text = value if isinstance(value, str) else f"{value:.12f}"
            return parse_length(text, units)
        except UserError as error:
            raise self._complaint(key, f"is wrong: {error}") from None

    def _length(self, key: str, units: UnitWorld, least_mm: float, most_mm: float) -> float:
        return self._within(key, self._get(key), units, least_mm, most_mm)

    def _optional_length(self, key: str, units: UnitWorld, least_mm: float, most_mm: float) -> float | None:
        value = self._get(key)
        return None if value is None else self._within(key, value, units, least_mm, most_mm)

    def _within(self, key: str, value: Any, units: UnitWorld, least_mm: float, most_mm: float) -> float:
        length = self._measure(key, value, units)
        if not least_mm <= length <= most_mm:
            raise self._complaint(key, f"is {length:g} mm; that should lie between {least_mm:g} and {most_mm:g} mm")
        return length

    def _tolerance(self) -> float:
        value = self._get("tolerance")
        if not isinstance(value, str):
            raise self._complaint("tolerance", 'is missing or has no unit; write for example "0.005in/ft" or "0.3mm/m"')
        try:
            angle = deg_from_slope(parse_slope(value))
        except UserError as error:
            raise self._complaint("tolerance", f"is wrong: {error}") from None
        if not 0.0005 <= angle <= 2:
            raise self._complaint("tolerance", f"is {angle:g}°; that should lie between 0.0005° and 2°")
        return angle

    def _adjuster(self, units: UnitWorld) -> Shims | Screw:
        kind = self._choice("adjuster.kind", ("shims", "screw"))
        foreign = ("pitch", "clockwise") if kind == "shims" else ("leaves",)
        for key in foreign:
            if self._get(f"adjuster.{key}") is not None:
                raise self._complaint(f"adjuster.{key}", f"does not belong to kind = {kind!r}; take it out")
        if kind == "screw":
            way = cast("Way", self._choice("adjuster.clockwise", ("forward", "back")))
            return Screw(self._length("adjuster.pitch", units, 0.1, 10), way)
        leaves = self._get("adjuster.leaves")
        if not isinstance(leaves, list) or not 1 <= len(leaves) <= _MOST_LEAVES:
            example = '["0.002in", "0.003in"]' if units == "in" else '["0.05mm", "0.10mm"]'
            raise self._complaint("adjuster.leaves", f"must list 1 to {_MOST_LEAVES} leaves, for example {example}")
        return Shims(
            tuple(self._within(f"adjuster.leaves[{k}]", v, units, 0.005, 10) for k, v in enumerate(leaves, start=1))
        )
