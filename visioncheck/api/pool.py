"""Several measurements as one, for who calls from Python."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from visioncheck.api.results import Measurement, TypedMeasurement, owner, write_png
from visioncheck.errors import InputError
from visioncheck.given import StrPath

if TYPE_CHECKING:
    from pathlib import Path

    from visioncheck.correction.correct import Correction
    from visioncheck.fence.decision import Verdict
    from visioncheck.fence.next_step import Basis
    from visioncheck.fence.pooled import Pooled
    from visioncheck.present.line import LabelledLine
    from visioncheck.present.naming import Door
    from visioncheck.quantity import Quantity
    from visioncheck.results.pieces import Record
    from visioncheck.sled.model import Sled

Found = Measurement | TypedMeasurement


@dataclass(frozen=True, eq=False)
class PooledMeasurement:
    """Several readings of one sled as it stands, as one: used like a `Measurement`.

    Attributes
    ----------
    pooled : Pooled
        All that was found: pieces, scatter from cut to cut, odd ones.
    sled : Sled or None
        The sled.
    """

    pooled: Pooled
    sled: Sled | None
    _basis: Basis

    @property
    def value(self) -> Quantity:
        """The fence error, deg, signed; its ± is that of the sled and not of one cut."""
        return self.pooled.error

    @property
    def verdict(self) -> Verdict | None:
        """How the fence error stands to the sled's tolerance."""
        from visioncheck.fence.decision import decide

        return None if self.sled is None else decide(self.value, self.sled.tolerance_deg).verdict

    @property
    def correction(self) -> Correction | None:
        """What to do about it, or how many more cuts or which better test would decide it; None without a sled."""
        from visioncheck.correction.correct import correct

        return None if self.sled is None else correct(self.value, self.sled, self._basis)

    def lines(self, door: Door = "python") -> list[LabelledLine]:
        """Say it line by line: a label and what it says."""
        from visioncheck.present.now import pooled_lines

        return pooled_lines(self.pooled, self.sled, self._basis, door)

    def to_dict(self) -> dict[str, Any]:
        """Give everything as plain values that JSON can hold."""
        from visioncheck.results.pooled import pooled_json

        return pooled_json(self.pooled, self.correction)

    def render(self) -> bytes:
        """Draw the fence error with its ± beside the sled's tolerance, PNG."""
        from visioncheck.present.error_bar import draw_error

        return draw_error(self.value, self.sled, self.correction, signed=True)

    def draw(self, path: StrPath) -> Path:
        """Draw it and write it as PNG; raises UserError if that cannot be written."""
        return write_png(path, self.render)

    def __str__(self) -> str:
        return "\n".join([self._title, *(f"{line.label:<10} {line.text}" for line in self.lines())])

    def _repr_html_(self) -> str:
        from visioncheck.present.notebook import as_html

        return as_html(self._title, self.lines(), self.render(), cautions=self.sled is not None)

    @property
    def _title(self) -> str:
        return f"{self.sled.name}: all readings together" if self.sled else "All readings together"


def pool(found: Iterable[Found]) -> PooledMeasurement:
    """Take several measurements of one sled, not changed in between, as one.

    Each counts by its own uncertainty; what they have alike (survey, sheet, lens) does not average away; photos of one
    piece count as one piece (``cut="fresh"`` or ``cut="same"`` with `measure` says which it is); and the scatter from
    cut to cut is learnt from them.

    Parameters
    ----------
    found : iterable of Measurement or TypedMeasurement
        In order of time, each with a fence error.

    Returns
    -------
    PooledMeasurement

    Raises
    ------
    InputError
        None is given, one has no fence error, or they are of different sleds.

    Examples
    --------
    >>> import visioncheck
    >>> each = [visioncheck.compute(rear=f"30.{k}mm", front="30.10mm", length="300mm") for k in (42, 45, 40)]
    >>> found = visioncheck.pool(each)
    >>> f"{found.value.value:.4f}", found.pooled.pieces
    ('0.0154', 3)
    >>> visioncheck.pool([])
    Traceback (most recent call last):
    visioncheck.errors.InputError: found is empty; give the measurements to pool
    """
    from visioncheck.fence.pooled import pool as pool_pieces
    from visioncheck.results.basis import basis_of_json
    from visioncheck.results.pieces import seen_from_records

    every = list(found)
    if not every:
        raise InputError("found", "<found> is empty; give the measurements to pool")
    sleds = [_sled(each) for each in every]
    if any(sled != sleds[0] for sled in sleds):
        raise InputError("found", "<found> are measurements of different sleds; pool those of one")
    records = [_record(k, each) for k, each in enumerate(every, 1)]
    _refuse_one_twice(records)
    pooled = pool_pieces(seen_from_records(records))
    return PooledMeasurement(pooled, sleds[0], replace(basis_of_json(records[-1].found), pooled=pooled))


def _refuse_one_twice(records: Sequence[Record]) -> None:
    """A photo that counted twice would make the ± too small."""
    seen = set[str]()
    for record in records:
        digest = record.found.get("photo_sha256")
        if digest is not None and digest in seen:
            raise InputError("found", f"<found> holds the photo {record.name} twice; a photo counts once")
        seen |= {digest} if digest else set()


def _sled(found: object) -> Sled | None:
    if isinstance(found, Measurement):
        return owner(found.outcome.request.sled_file)
    if isinstance(found, TypedMeasurement):
        return owner(found.sled)
    raise InputError("found", f"<found> holds {found!r:.60}; give what measure or compute returned")


def _record(k: int, found: Found) -> Record:
    from visioncheck.log.entry import sha256_text
    from visioncheck.results.pieces import Record

    typed = isinstance(found, TypedMeasurement)
    name = f"reading {k}" if isinstance(found, TypedMeasurement) else found.outcome.request.photo.name
    error = found.value if isinstance(found, TypedMeasurement) else found.reading.fence_error
    if error is None:
        raise InputError("found", f"<found>: {name} has no fence error; answer its question first, or leave it out")
    rig = None if isinstance(found, TypedMeasurement) else found.outcome.request.rig_file
    # typed readings that are given one by one are of pieces of their own: the same one would be given once
    return Record(name, error, found.to_dict(), "" if typed or rig is None else sha256_text(rig.text))
