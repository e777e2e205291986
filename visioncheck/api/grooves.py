"""Grooves for another blade than the scale was zeroed with, and their parts, for who calls from Python."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck.api.results import explained, plain, write_png
from visioncheck.errors import InputError, UserError
from visioncheck.given import StrPath, as_path, as_rig
from visioncheck.quantity import Quantity

if TYPE_CHECKING:
    from visioncheck.camera.rig import Rig
    from visioncheck.kerf.passes import PlannedCuts
    from visioncheck.kerf.plan import Plan
    from visioncheck.kerf.verify import Verified
    from visioncheck.measuring.request import RigFile
    from visioncheck.present.line import LabelledLine


@dataclass(frozen=True, eq=False)
class GrooveLayout:
    """The settings of every pass for the grooves of a plan, and how the board came out.

    Attributes
    ----------
    plan : Plan
    layout : PlannedCuts
        Every groove's settings, passes and fit.
    checked : tuple of Verified
        Each groove as it was cut, from a photo of the board; empty without one.
    """

    plan: Plan
    layout: PlannedCuts
    checked: tuple[Verified, ...] = ()

    def lines(self) -> list[LabelledLine]:
        """Say the settings line by line."""
        from visioncheck.present.grooves import layout_lines

        return layout_lines(self.layout)

    def checked_lines(self) -> list[LabelledLine]:
        """Say how the board came out line by line; nothing without a photo."""
        from visioncheck.present.verified import fit_as_cut, verified_lines

        if not self.checked:
            return []
        as_cut = verified_lines(self.plan, self.checked, self.plan.fence_edge)
        return [*as_cut, *fit_as_cut(self.plan, self.checked)]

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values that JSON can hold."""
        from visioncheck.present.grooves import layout_json
        from visioncheck.present.verified import verified_json

        found = layout_json(self.layout)
        return found | ({"verified": verified_json(self.plan, self.checked)} if self.checked else {})

    def render(self) -> bytes:
        """Draw the board and its passes, PNG."""
        return self.drawings()[1]

    def drawings(self) -> tuple[bytes, bytes]:
        """Draw the board and its passes, SVG and PNG."""
        from visioncheck.present.groove_drawing import draw_layout

        svg, png = draw_layout(self.layout)
        return svg, png

    def draw(self, path: StrPath) -> Path:
        """Draw it and write it as PNG; raises UserError where that cannot be written."""
        return write_png(path, self.render)

    def __str__(self) -> str:
        return plain(self.plan.name, [*self.lines(), *self.checked_lines()])

    def _repr_html_(self) -> str:
        from visioncheck.present.notebook import as_html

        return as_html(self.plan.name, [*self.lines(), *self.checked_lines()], self.render(), cautions=True)


def part_width(photo: StrPath, *, rig: RigFile | Rig | StrPath | None = None, thickness: str | None = None) -> Quantity:
    """Measure the part that is to go into a groove, in a photo of it alone: its short way across, mm.

    Parameters
    ----------
    photo : str or Path
        The part on the target, on its narrow edge or flat.
    rig : optional
        The survey of the photo's phone and sheet, with its ruled length: lengths rest on it.
    thickness : str
        How high the part stands there.

    Raises
    ------
    Refusal
        The photo cannot be measured honestly.
    UserError
        It cannot be read, or what is told cannot be.
    """
    from visioncheck.measuring.lengths import measure_width
    from visioncheck.measuring.options import read_piece_options

    surveyed = as_rig(rig)
    try:
        told = read_piece_options(thickness=thickness).thickness
        return measure_width(as_path("photo", photo, "a photo"), surveyed.rig if surveyed else None, told)
    except UserError as problem:
        raise explained(problem) from None


def grooves(
    plan: StrPath | Mapping[str, Any],
    *,
    part: Quantity | None = None,
    photo: StrPath | None = None,
    rig: RigFile | Rig | StrPath | None = None,
    thickness: str | None = None,
    fence_edge: str | None = None,
) -> GrooveLayout:
    """Work out the fence-scale setting of every pass, and check the board that was cut.

    Parameters
    ----------
    plan : str, Path or mapping
        The plan file, or what it would say: tables ``board``, ``saw``, ``blade`` and a list of ``groove``.
    part : Quantity, optional
        Width of the part that goes into the grooves with a ``fit``, mm, in place of their ``mating``: see `part_width`.
    photo : str or Path, optional
        The cut board on the target.
    rig, thickness, fence_edge : optional
        With `photo`: the survey of its phone and sheet; of the board; its edge that lay at the fence, as the picture
        shows it.

    Returns
    -------
    GrooveLayout
        With `layout`, `checked`, `lines` and `draw`.

    Raises
    ------
    Refusal
        The photo cannot be measured honestly.
    UserError
        Naming the file and the line or key that cannot be.

    Examples
    --------
    A blade of 2.4 mm on the arbor, the scale zeroed with one of 3.2 mm: a groove 9.5 mm wide is as wide as its first
    and last pass lie apart, plus the kerf.

    >>> import visioncheck
    >>> saw = {"zero_kerf": "3.2mm", "fence": "right", "flange": "left"}
    >>> groove = {"name": "bottom", "at": "20mm", "width": "9.5mm"}
    >>> plan = {"name": "Drawer", "units": "mm", "board": {"width": "100mm"}, "saw": saw, "groove": [groove]}
    >>> found = visioncheck.grooves(plan | {"blade": {"kerf": "2.4mm"}})
    >>> passes = found.layout.cuts[0].passes
    >>> f"{passes[-1].setting_mm - passes[0].setting_mm + 2.4:.3f}"
    '9.500'
    """
    from visioncheck.kerf.passes import lay_out
    from visioncheck.kerf.read_plan import load_plan, plan_from_data

    if isinstance(plan, Mapping):
        wanted = plan_from_data(dict(plan), "the plan", Path())
    else:
        wanted = load_plan(as_path("plan", plan, "a plan file"))
    if part is not None:
        wanted = plan_with_part(wanted, part)
    if photo is None and (rig is not None or thickness is not None or fence_edge is not None):
        raise InputError("photo", "<rig>, <thickness> and <fence_edge> go with a photo of the cut board, <photo>")
    checked = () if photo is None else check_board(wanted, photo, as_rig(rig), thickness, fence_edge)
    return GrooveLayout(wanted, lay_out(wanted), checked)


def plan_with_part(plan: Plan, part: Quantity) -> Plan:
    """The plan with the part's width where a groove has a fit; raises InputError where none has."""
    from visioncheck.kerf.plan import with_part

    if not isinstance(part, Quantity) or part.unit != "mm" or not part.value > 0:
        raise InputError("part", f"<part> is {part!r:.60}; give what part_width returned, a Quantity in mm")
    if not any(groove.fit for groove in plan.grooves):
        raise InputError("part", "<part> has no effect: no groove of the plan says how its part is to fit")
    return with_part(plan, part)


def check_board(
    plan: Plan, photo: StrPath, rig: RigFile | None, thickness: str | None, fence_edge: str | None
) -> tuple[Verified, ...]:
    """Hold the cut board in a photo against its plan; raises as `grooves` does."""
    from visioncheck.kerf.verify import verify
    from visioncheck.measuring.groove import measure_grooves
    from visioncheck.measuring.options import read_piece_options
    from visioncheck.measuring.photo import see_board

    told = read_piece_options(plan.units, thickness=thickness, fence_edge=fence_edge)
    try:
        board = see_board(as_path("photo", photo, "a photo"), rig.rig if rig else None, told.thickness, told.fence_edge)
        return verify(plan, measure_grooves(board, plan))
    except UserError as problem:
        raise explained(problem) from None
