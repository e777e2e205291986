"""What the gap left in a mitred frame says of the fence, typed or seen in a photo."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from visioncheck import checks
from visioncheck.codes import TIGHT_JOINTS, Question
from visioncheck.errors import InputError
from visioncheck.fence.mitre import frame_corner_deg, made_at, require_setting
from visioncheck.fence.of_halves import ENDS
from visioncheck.fence.signs import ClosedFrame, fence_error
from visioncheck.reading.model import LastJoint

if TYPE_CHECKING:
    from visioncheck.errors import Field
    from visioncheck.fence.signs import FrameEdge, FrameFace
    from visioncheck.quantity import Quantity
    from visioncheck.reading.model import Reading
    from visioncheck.saw import Saw


@dataclass(frozen=True, slots=True)
class Frame:
    """A regular frame of mitred pieces, all cut against one fence setting.

    Parameters
    ----------
    sides : int
        Of the polygon.
    cuts : int
        Mitre cuts in it: two a side, or one a piece where each side is butted from two.
    at_fence : {"outer", "inner"} or None
        The edge of the pieces, as they lie in the frame, that lay on the fence, where known.
    """

    sides: int
    cuts: int
    at_fence: FrameEdge | None = None

    @property
    def nominal_deg(self) -> float:
        """The corner that each cut should have made with the edge at the fence, deg."""
        outer = frame_corner_deg(self.sides)
        return 180.0 - outer if self.at_fence == "inner" else outer

    def each_joint(self, wedge: Quantity) -> Quantity:
        """The wedge in the last joint, deg, shared out evenly among all joints."""
        return wedge.scaled(2 / self.cuts, "deg")

    def shares(self, wedge: Quantity) -> dict[str, Field]:
        """How the wedge in the last joint, deg, is shared out among joints and cuts: the fields of the note on it."""
        each, joint = wedge.scaled(1 / self.cuts, "deg"), self.each_joint(wedge)
        return {
            "sides": self.sides,
            "cuts": self.cuts,
            "joints": self.cuts // 2,
            "corner_deg": frame_corner_deg(self.sides),
            "joint_deg": joint.value,
            "joint_u_deg": joint.expanded(),
            "cut_deg": each.value,
            "cut_u_deg": each.expanded(),
        }

    def made(self, saw: Saw, sled: Saw | None) -> Saw:
        """How each cut was made.

        Parameters
        ----------
        saw : Saw
            As it is told; its nominal angle counts where it is no right one.
        sled : Saw or None
            As the sled's file says.

        Raises
        ------
        InputError
            By the sled's file, or by the nominal angle told, the cuts were to make another corner.
        """
        if sled is not None:
            require_setting(self.nominal_deg, sled, "frame")
        if not saw.is_mitre:
            return replace(saw, nominal_deg=self.nominal_deg)
        made = made_at(self.nominal_deg, saw)
        if made is None:
            raise InputError(
                "frame",
                f"<frame> {self.sides} needs corners of {self.nominal_deg:g}°, and by <nominal> or the sled the cuts"
                f" are to make {saw.nominal_deg:g}°; set the sled to {180 / self.sides:g}° off square, or mend what is"
                " told of it",
            )
        return made


def tight_joints_u_deg(joints: int, length_mm: float) -> float:
    """Standard uncertainty, deg, that all joints but the last have together, each `length_mm` from end to end."""
    return math.degrees(math.sqrt(joints - 1) * checks.FRAME_TIGHT_U_MM / length_mm)


def with_frame_error(
    reading: Reading, frame: Frame, joint_mm: float, outer_end: int, saw: Saw, sled: Saw | None
) -> Reading:
    """Complete a gap's reading, as the last joint of a frame, by the fence error or by what it asks.

    Parameters
    ----------
    reading : Reading
        Of a gap, with its taper.
    frame : Frame
        Whose last joint it is.
    joint_mm : float
        Length of its joints.
    outer_end : {1, 3}
        The end of the gap that lies at the outside of the frame.
    saw : Saw
        How the pieces were cut.
    sled : Saw or None
        As the sled's file says.

    Raises
    ------
    InputError
        The sled makes another corner than such a frame needs.
    """
    wedge = reading.taper
    assert wedge is not None
    # a positive taper is wider at the last end
    open_end = ENDS[0] if wedge.value > 0 else ENDS[1]
    opens: FrameFace = "outside" if open_end == outer_end else "inside"
    tight = tight_joints_u_deg(frame.cuts // 2, joint_mm)
    size = replace(wedge, value=abs(wedge.value), u=math.hypot(wedge.u, tight))
    budget = {source: part / frame.cuts for source, part in (*reading.budget.items(), (TIGHT_JOINTS, tight))}
    joint = LastJoint(frame.sides, frame.cuts, opens, frame.at_fence)
    reading = replace(reading, open_end=open_end, last_joint=joint, budget=budget)
    if frame.at_fence is None:
        asked = Question("frame edge", ("outer", "inner"))
        return replace(reading, fence_error_size=size.scaled(1 / frame.cuts, "deg"), question=asked)
    made = frame.made(saw, sled)
    error = fence_error(ClosedFrame(size, opens, frame.cuts, frame.at_fence), made)
    return replace(reading, fence_error=error, nominal_deg=made.nominal_deg)
