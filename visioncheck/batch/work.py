"""What one worker does with one photo; it runs in a process of its own, here or on another machine."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from visioncheck.batch.choose import choose_rig, choose_sled
from visioncheck.errors import UserError
from visioncheck.log.photos import PhotoFile, read_photo
from visioncheck.measuring.measure import Outcome, measure_piece, refused

if TYPE_CHECKING:
    from visioncheck.batch.jobs import BatchPhoto, Known


@dataclass(frozen=True)
class Finding:
    """What became of one photo.

    Attributes
    ----------
    reading : dict
        Its JSON object.
    sled, rig : str or None
        Names of those that it was read with.
    photo : PhotoFile or None
        The bytes that were measured, so that these are what the log keeps; None where refused.
    """

    reading: dict[str, Any]
    sled: str | None = None
    rig: str | None = None
    photo: PhotoFile | None = None


def find(job: BatchPhoto, known: Known) -> Finding:
    """Measure one photo with the sled and rig that it belongs to; what the user can mend becomes a refusal."""
    from visioncheck.measuring.detect import detect

    sled = rig = None
    try:
        photo = _read_unchanged(job)
        detection = detect(job.path, data=photo.data)
        sled = choose_sled(job, [tag.id for tag in detection.points.tags], known)
        rig = choose_rig(job, detection, known)
        rig_file = None if rig is None else known.rigs[rig]
        outcome = measure_piece(job.request(known.sleds[sled], rig_file), detection)
        _require_own_tag(job, outcome, known, sled)
    except UserError as problem:
        return Finding(refused(job.request(), problem).reading, sled, rig)
    return Finding(outcome.reading, sled, rig, photo)


def _read_unchanged(job: BatchPhoto) -> PhotoFile:
    photo = read_photo(job.path)
    if photo.sha256 != job.sha256:
        raise UserError(f"{job.label}: was changed after the batch began; run the batch again.")
    return photo


def _require_own_tag(job: BatchPhoto, outcome: Outcome, known: Known, sled: str) -> None:
    """Refuse a piece that is known by a tag alone when the tag lies beside it: it may be another's."""
    by_tag_alone = sled not in {job.sled, known.only}
    if by_tag_alone and outcome.problem is None and known.tags.get(outcome.reading.get("tag", -1)) != sled:
        raise UserError(f"{job.label}: the tag of {sled} does not lie on the piece; lay it on the piece it belongs to.")
