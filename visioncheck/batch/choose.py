"""Whose piece a photo shows, and which rig it was taken with."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.camera.same import rig_difference
from visioncheck.errors import InputError, Refusal, UserError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from visioncheck.batch.jobs import BatchPhoto, Known
    from visioncheck.measuring.detect import Detection
    from visioncheck.measuring.request import RigFile


def choose_sled(job: BatchPhoto, tags: Iterable[int], known: Known) -> str:
    """Name the sled: as the manifest or the sub-folder says, as the tags in the picture say, or the only one.

    Two that contradict each other are refused: a reading under the wrong sled would look right.

    Parameters
    ----------
    tags : iterable of int
        Numbers of the piece tags in the picture.

    Raises
    ------
    UserError
        Nothing tells, or two tell different things.
    """
    tagged = {known.tags[tag]: tag for tag in tags if tag in known.tags}
    said = {job.sled} if job.sled else set[str]()
    names = said | set(tagged)
    if len(names) > 1:
        ways = [f"tag {tag} is {name}'s" for name, tag in tagged.items()] + [f"it is said to be {n}'s" for n in said]
        raise UserError(f"{job.label}: {', '.join(ways)}; put it right (visioncheck log tag says whose a tag is).")
    name = names.pop() if names else known.only
    if name is None:
        seen = ", ".join(str(tag) for tag in tags)
        shows = f"its tag {seen} is in no line of the log's table" if seen else "it shows no piece tag"
        raise UserError(
            f"{job.label}: nothing says whose piece this is, {shows}; use log tag, a sub-folder with the sled's name"
            " or a manifest."
        )
    if name not in known.sleds:
        raise InputError("sled", f"{job.label}: belongs to {name}, whose sled file is not known; give it with <sled>.")
    return name


def choose_rig(job: BatchPhoto, detection: Detection, known: Known) -> str | None:
    """Name the rig of this phone and this sheet; None where no rigs are given at all.

    Raises
    ------
    Refusal
        None fits, or more than one: another print of the same layout cannot be told from the photo.
    """
    if job.rig is not None or not known.rigs:
        return job.rig
    names = fitting_rigs(known.rigs, detection)
    if len(names) == 1:
        return names[0]
    exif, (height, width) = detection.photo.exif, detection.photo.bgr.shape[:2]
    phone = " ".join(part for part in (exif.make, exif.model) if part)
    sheet = {"paper": detection.points.paper, "field": detection.points.field}
    taken = {"phone": phone, "width_px": width, "height_px": height, **sheet}
    raise Refusal("other-rig", job.label, "several fit" if names else "none given", rigs=" and ".join(names), **taken)


def fitting_rigs(rigs: Mapping[str, RigFile], detection: Detection) -> list[str]:
    """Names of the rigs of this phone, at this picture size, and of this sheet."""
    return [name for name, file in rigs.items() if _fits(file, detection)]


def _fits(file: RigFile, detection: Detection) -> bool:
    rig, points = file.rig, detection.points
    sheet = (rig.paper, rig.field) == (points.paper, points.field) and set(points.sheet) <= set(rig.sheet)
    return sheet and rig_difference(detection.photo, rig) is None
