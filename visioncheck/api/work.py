"""The tolerance that a piece of work asks, for who calls from Python."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck.api.results import write_png
from visioncheck.errors import InputError, UserError
from visioncheck.given import StrPath, as_length, as_path, as_sled
from visioncheck.quantity import Quantity, coverage_factor

if TYPE_CHECKING:
    from visioncheck.measuring.request import SledFile
    from visioncheck.present.line import LabelledLine
    from visioncheck.sled.model import Sled
    from visioncheck.units import UnitWorld
    from visioncheck.work.asked import Asked
    from visioncheck.work.effects import Code


@dataclass(frozen=True, eq=False)
class WorkTolerance:
    """The tolerance that a piece of work asks of the fence, and what the fence does to the work.

    Attributes
    ----------
    asked : Asked
        All that was worked out.
    sled : Sled or None
        Whose fence it is.
    units : {"in", "mm"}
        Units to speak in first.
    """

    asked: Asked
    sled: Sled | None
    units: UnitWorld

    @property
    def tolerance_deg(self) -> float:
        """The largest fence error, of either sign, that keeps every accepted fault, deg."""
        return self.asked.tolerance_deg

    def lines(self) -> list[LabelledLine]:
        """Say it line by line."""
        from visioncheck.present.work import asked_lines

        return asked_lines(self.asked, self.sled, self.units)

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values that JSON can hold."""
        from visioncheck.present.work import asked_json

        return asked_json(self.asked)

    def render(self) -> bytes:
        """Draw the work with the gap at the tolerance, PNG."""
        from visioncheck.present.work_drawing import draw_work

        return draw_work(self.asked, self.units)

    def draw(self, path: StrPath) -> Path:
        """Draw it and write it as PNG; raises UserError where that cannot be written."""
        return write_png(path, self.render)

    def __str__(self) -> str:
        return "\n".join(f"{line.label:<10} {line.text}" for line in self.lines())

    def _repr_html_(self) -> str:
        from visioncheck.present.notebook import as_html

        return as_html("Tolerance from the work", self.lines(), self.render())


def tolerance(
    kind: str,
    *,
    width: str | Quantity | None = None,
    length: str | Quantity | None = None,
    depth: str | Quantity | None = None,
    height: str | Quantity | None = None,
    sides: int | None = None,
    ends: int | None = None,
    gap: str | Quantity | None = None,
    last_gap: str | Quantity | None = None,
    wind: str | Quantity | None = None,
    diagonals: str | Quantity | None = None,
    sled: SledFile | Sled | StrPath | None = None,
    error: str | Quantity | None = None,
    plus_minus: str | None = None,
    log: StrPath | None = None,
) -> WorkTolerance:
    """Work out the fence's tolerance from the largest joint or case that the sled is for.

    Parameters
    ----------
    kind : {"joint", "panel", "box", "drawer", "frame"}
        What is made of the sawn parts.
    width, length, depth, height : str or Quantity
        Of a joint its width; of a panel its width along the cut and its length; of a box or drawer the depth (length)
        and height of the sides whose sawn ends butt; of a frame the width of its sticks: ``"400mm"``, ``"16in"``.
    sides, ends : int
        Of a frame, 4 if not said; of a joint how many of its ends are sawn, 1 if not said.
    gap, last_gap, wind, diagonals : str or Quantity
        The largest faults that you accept: the open end of a joint; the last mitre of a frame; how far a box rocks on
        a flat table; how far the diagonals of a panel differ. With none a gap of 0.1 mm (4 thou) is taken, common
        practice.
    sled : optional
        What `load_sled` gave, or the sled file's path: its tolerance is compared, and its units are spoken.
    error : str or Quantity
        The fence's error now, deg or text such as ``"0.05deg"`` or ``"0.3mm/m"``.
    plus_minus : str
        Its ±, at 95 %.
    log : str or Path
        A log: the sled's readings in it since it was last changed, as one, are taken for the error.

    Raises
    ------
    UserError
        Something is missing, too much, or no such number; names it.

    Examples
    --------
    A drawer side 100 mm high whose joints may gape by 0.1 mm: atan(0.1/100).

    >>> import visioncheck
    >>> found = visioncheck.tolerance("drawer", depth="400mm", height="100mm", gap="0.1mm")
    >>> f"{found.tolerance_deg:.4f}"
    '0.0573'
    >>> today = visioncheck.tolerance("joint", width="12in", gap="4thou", error="0.05deg", plus_minus="0.01deg")
    >>> today.asked.today.decision.verdict.value
    'outside'
    """
    from visioncheck.work.asked import ask, describe_work

    sizes = {"width": width, "length": length, "depth": depth, "height": height}
    sizes_mm = {name: as_length(name, mm, "'400mm'").value for name, mm in sizes.items() if mm is not None}
    work = describe_work(kind, sizes_mm, sides, ends)
    faults: dict[Code, str | Quantity | None] = {
        "gap": gap, "last_gap": last_gap, "wind": wind, "diagonals": diagonals,
    }  # fmt: skip
    accepted = {code: as_length(code, mm, "'0.1mm'").value for code, mm in faults.items() if mm is not None}
    sled_file = as_sled(sled)
    owner = None if sled_file is None else sled_file.sled
    units = owner.units if owner else _units_of(*sizes.values())
    return WorkTolerance(ask(work, accepted, units, _error_now(error, plus_minus, log, owner)), owner, units)


def _units_of(*sizes: str | Quantity | None) -> UnitWorld:
    """The world in which the sizes were told."""
    told = [each if isinstance(each, str) else each.unit for each in sizes if each is not None]
    return (
        "in" if any(text.rstrip().lower().endswith(("in", '"', "ft", "'", "thou", "″", "”")) for text in told) else "mm"
    )


def _error_now(error: str | Quantity | None, plus_minus: str | None, log: StrPath | None, sled: Sled | None) -> Any:
    if error is not None and log is not None:
        raise InputError("log", "<log> and <error> both say how the fence stands; give one of them")
    if plus_minus is not None and not isinstance(error, str):
        raise InputError("plus_minus", "<plus_minus> belongs to <error> as text; give that too, or leave it out")
    if log is not None:
        return _error_in_log(log, sled)
    if isinstance(error, Quantity):
        if error.unit != "deg":
            raise InputError("error", f"<error> is in {error.unit!r}; a fence's error is in 'deg'")
        return error
    if error is None:
        return None
    if plus_minus is None:
        raise InputError("plus_minus", "<error> needs its <plus_minus>, the ± at 95 % that its report says")
    half = abs(_slope_deg("plus_minus", plus_minus))
    if half == 0:
        raise InputError("plus_minus", "<plus_minus> must be larger than nothing: no reading is exact")
    from visioncheck import checks

    value = _slope_deg("error", error)
    if abs(value) > checks.TOLERANCE_COARSEST_DEG:
        raise InputError("error", f"<error> of {value:.3g}° is more than any fence is out by; check it")
    return Quantity(value, half / coverage_factor(float("inf")), "deg")


def _slope_deg(name: str, text: str) -> float:
    from visioncheck.units import deg_from_slope, parse_slope

    try:
        return deg_from_slope(parse_slope(text))
    except UserError as problem:
        raise InputError(name, f"<{name}>: {problem}") from None


def _error_in_log(folder: StrPath, sled: Sled | None) -> Quantity:
    """Take how the sled stands: its readings since it was last changed, as one; InputError where it is not known."""
    from visioncheck.log.now import sled_now
    from visioncheck.log.store import Log

    if sled is None:
        raise InputError("sled", "<log> has readings by sled; say which with <sled>")
    with Log.open(as_path("log", folder, "a log's folder"), readonly=True) as opened:
        now = sled_now(opened, sled.name)
    if now.state is None:
        raise InputError("log", f"<log> {folder} has no reading of {sled.name}; measure it first")
    if now.pending:
        raise InputError(
            "log",
            f"{sled.name} was adjusted ({now.pending:.80}) since its newest reading; measure a fresh test piece first",
        )
    return now.state.error
