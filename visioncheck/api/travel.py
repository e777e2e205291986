"""The blade against the sled's travel, for who calls from Python."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck.api.results import explained, kept_sled, plain, write_png
from visioncheck.errors import UserError
from visioncheck.given import StrPath, as_path, as_rig, as_sled

if TYPE_CHECKING:
    from datetime import datetime

    from visioncheck.camera.rig import Rig
    from visioncheck.fence.travel import Travel
    from visioncheck.log.entry import Entry
    from visioncheck.log.store import Log
    from visioncheck.measuring.measure import Outcome
    from visioncheck.measuring.request import RigFile, SledFile
    from visioncheck.present.line import LabelledLine
    from visioncheck.sled.model import Sled


@dataclass(frozen=True, eq=False)
class BladeTravel:
    """What slots that end in a board say of the blade against the sled's travel.

    Attributes
    ----------
    travel : Travel
        Heel, play, run-out and the path, as far as they were told apart.
    slots : tuple of Outcome
        The slots as read: from which the board was lifted off; then of the other end, and pulled back, where given.
    sled : SledFile or None
    """

    travel: Travel
    slots: tuple[Outcome, ...]
    sled: SledFile | None

    @property
    def title(self) -> str:
        """What it is of."""
        return "Blade and travel" if self.sled is None else f"{self.sled.sled.name}: blade and travel"

    def lines(self) -> list[LabelledLine]:
        """Say it line by line."""
        from visioncheck.present.travel import travel_lines

        return travel_lines(self.travel, self.sled.sled.units if self.sled else "mm")

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values that JSON can hold."""
        from visioncheck.results.travel import travel_json

        return travel_json(self.travel)

    def render(self) -> bytes:
        """Draw the first slot as it was read, PNG."""
        from visioncheck.present.picture import render_reading

        measured = self.slots[0].measured
        assert measured is not None  # else there were no result
        return render_reading(measured.photo, measured.reading, None, self.sled.sled if self.sled else None)

    def draw(self, path: StrPath) -> Path:
        """Draw it and write it as PNG; raises UserError where that cannot be written."""
        return write_png(path, self.render)

    def keep(
        self, log: Log, *, person: str = "", note: str = "", adjusted: str = "", time: datetime | None = None
    ) -> tuple[Entry, ...]:
        """Keep the slots with their photos in an open log, an adjustment before the first of them.

        Raises
        ------
        UserError
            No sled's file, a photo that is gone or was changed, or a log that cannot be written.
        """
        from visioncheck.measuring.keep import attach_outcome

        kept_sled(self.sled)
        first, *others = self.slots
        whole = replace(first, reading=first.reading | self.to_dict())
        kept = attach_outcome(log, whole, person=person, note=note, adjusted=adjusted, time=time)
        return (kept, *(attach_outcome(log, each, person=person, note=note, time=time) for each in others))

    def __str__(self) -> str:
        return plain(self.title, self.lines())

    def _repr_html_(self) -> str:
        from visioncheck.present.notebook import as_html

        return as_html(self.title, self.lines(), self.render())


def travel(
    lifted: StrPath,
    *,
    other_end: StrPath | None = None,
    pulled_back: StrPath | None = None,
    rig: RigFile | Rig | StrPath | None = None,
    sled: SledFile | Sled | StrPath | None = None,
    thickness: str | None = None,
) -> BladeTravel:
    """Tell from photos of slots whether the blade runs with the sled's travel, has run-out, or the sled play.

    Parameters
    ----------
    lifted : str or Path
        Photo of a slot that ends in the board, from which the board was lifted off.
    other_end, pulled_back : str or Path, optional
        Likewise from the board's other end; a slot out of which the board was pulled back.
    rig : optional
        The survey of the photos' phone and sheet.
    sled : optional
        The sled and its blade.
    thickness : str
        Of the board: ``"18mm"``, ``"3/4in"``, ``"12.3mm±0.1mm"``.

    Returns
    -------
    BladeTravel
        With `travel`, `lines` and `draw`.

    Raises
    ------
    Refusal
        A photo cannot be measured honestly.
    UserError
        It cannot be read, or shows no slot that ends in the board.

    Examples
    --------
    Slots that were read by callipers go to `compute`:

    >>> import visioncheck
    >>> found = visioncheck.compute(lifted="2.62mm;2.58mm", length="200mm")
    >>> f"{found.result.travel.heel.value:.4f}"
    '-0.0115'
    """
    from visioncheck.measuring.measure import measure_piece
    from visioncheck.measuring.options import read_piece_options
    from visioncheck.measuring.request import MeasureRequest, refuse_twice
    from visioncheck.measuring.travel import travel_from_slots

    sled_file, rig_file = as_sled(sled), as_rig(rig)
    options = read_piece_options(sled_file.sled.units if sled_file else None, thickness=thickness, piece="slot")
    given = {"lifted": lifted, "other_end": other_end, "pulled_back": pulled_back}
    paths = [None if each is None else as_path(name, each, "a photo") for name, each in given.items()]
    refuse_twice(path for path in paths if path is not None)
    first, other, pulled = (
        None if path is None else measure_piece(MeasureRequest(path, None, sled_file, rig_file, options))
        for path in paths
    )
    assert first is not None  # its path was checked
    try:
        found = travel_from_slots(first, other, pulled)
    except UserError as problem:
        raise explained(problem) from None
    return BladeTravel(found, tuple(each for each in (first, other, pulled) if each is not None), sled_file)
