"""What a caller of the library gives, checked at the door: paths, lengths with units, sleds, rigs."""

from __future__ import annotations

import math
import os
from pathlib import Path
from typing import TYPE_CHECKING, TypeGuard

from visioncheck.errors import InputError, UserError
from visioncheck.quantity import Quantity
from visioncheck.units import mm_per, parse_length

if TYPE_CHECKING:
    from visioncheck.measuring.request import RigFile, SledFile

StrPath = str | os.PathLike[str]


def is_path(given: object) -> TypeGuard[StrPath]:
    """Whether it is text or a path."""
    return isinstance(given, str | os.PathLike)


def as_path(parameter: str, given: object, what: str) -> Path:
    """Take a path, as text or as a `Path`.

    Raises
    ------
    InputError
        It is neither.
    """
    if not is_path(given) or not os.fspath(given):
        raise InputError(parameter, f"<{parameter}> is {given!r:.60}, not the path of {what}; give it as str or Path")
    return Path(given)


def as_length(parameter: str, given: object, example: str) -> Quantity:
    """Take a length that says its unit: text such as ``"18mm"``, or a `Quantity`; in mm.

    The uncertainty of text is 0: who takes it knows how well such a thing is read.

    Raises
    ------
    InputError
        A bare number, or no length above zero.
    """
    length = _length(parameter, given, example)
    if not (0 < length.value < math.inf and 0 <= length.u < math.inf and length.dof > 0):
        raise InputError(parameter, f"<{parameter}> {given!r:.80} is no length above zero; write it such as {example}")
    return length


def _length(parameter: str, given: object, example: str) -> Quantity:
    if isinstance(given, str):
        try:
            return Quantity(parse_length(given), 0.0, "mm")
        except UserError as problem:
            raise InputError(parameter, f"<{parameter}>: {problem}") from None
    if isinstance(given, Quantity):
        factor = mm_per(given.unit)
        if factor is None:
            raise InputError(
                parameter, f"<{parameter}> is in {given.unit!r}, which is no unit of length; write it such as {example}"
            )
        return given.scaled(factor, "mm")
    raise InputError(parameter, f"<{parameter}> {given!r:.60} does not say its unit; write it such as {example}")


def as_sled(given: object) -> SledFile | None:
    """Take a sled: its file's path, what `load_sled` gave, or a `Sled` made in Python.

    Raises
    ------
    UserError
        None of these, or a file that is no sled.
    """
    from visioncheck.measuring.request import SledFile, read_sled
    from visioncheck.sled.model import Sled

    if given is None or isinstance(given, SledFile):
        return given
    if isinstance(given, Sled):
        return SledFile(given, "")
    return read_sled(as_path("sled", given, "a sled file"))


def as_rig(given: object) -> RigFile | None:
    """Take a rig: its file's path, what `load_rig` gave, a survey's result, or a `Rig`.

    Raises
    ------
    UserError
        None of these, or a file that is no rig.
    """
    from visioncheck.camera.rig import Rig, rig_text
    from visioncheck.camera.rig_file import parse_rig
    from visioncheck.measuring.request import RigFile, read_rig

    given = getattr(given, "rig", given) if not isinstance(given, RigFile) else given
    if given is None or isinstance(given, RigFile):
        return given
    if isinstance(given, Rig):
        # read back from its text, whose numbers are rounded: what the log keeps is what was measured with
        text = rig_text(given)
        return RigFile(parse_rig(text, "the rig"), text)
    return read_rig(as_path("rig", given, "a rig file"))
