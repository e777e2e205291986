"""The errors that a user sees: what is wrong with what was given, and why a photo is refused."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Self

from visioncheck.flags import FlagCode

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    Places = NDArray[np.float64]

_PARAMETER = re.compile(r"<([a-z_]+)(?:=([a-z0-9]+))?>")

Field = str | float | bool | None
"""What a sentence is made of."""
Naming = Callable[[str, str | None], str]
"""How a surface writes a parameter, alone or with a value."""


class UserError(Exception):
    """Something the user can mend, said in one clear sentence.

    The sentence names what is wrong, which file (or option) it is about and what to do.
    The command line prints it without a traceback and ends with exit code 2.

    Attributes
    ----------
    photos : tuple of str
        The photos that it is about, as the user called them; the sentence itself does not name them.
    """

    photos: tuple[str, ...] = ()

    def of(self, *photos: str | Path) -> Self:
        """Say which photos it is about; gives itself."""
        self.photos = tuple(map(str, photos))
        return self

    @property
    def named(self) -> str:
        """The sentence below the names of its photos, parameters as they stand in it.

        It is kept and handed on, so the folders, which are this machine's own, are left out.
        """
        return self._below_names(super().__str__(), self._without_folders())

    def said(self, naming: Naming) -> str:  # noqa: ARG002 - it names no parameter
        """Say it as a surface names the parameters, without the photos' names."""
        return super().__str__()

    def __str__(self) -> str:
        """Say it to who calls from Python."""
        return self._below_names(self.said(in_python), self.photos)

    def _without_folders(self) -> list[str]:
        return [photo.replace("\\", "/").rpartition("/")[2] for photo in self.photos]

    def _below_names(self, sentence: str, names: Sequence[str]) -> str:
        return f"{' and '.join(names)}: {sentence}" if names else sentence


class InputError(UserError):
    """A parameter that is missing, cannot be used or contradicts another.

    Parameters
    ----------
    parameter : str
        Its name in Python, such as ``"fence_edge"``.
    sentence : str
        What is wrong and what to do. Parameters stand in it in angle brackets, ``<fence_edge>``, or with a value,
        ``<piece=gap>``: each surface names them its own way (`said`).
    """

    def __init__(self, parameter: str, sentence: str) -> None:
        # both, so that it can be sent from one process to another
        super().__init__(parameter, sentence)
        self.parameter = parameter
        self.sentence = sentence

    @property
    def named(self) -> str:
        """The sentence below the names of its photos, parameters as they stand in it."""
        return self._below_names(self.sentence, self._without_folders())

    def said(self, naming: Naming) -> str:
        """Say it as a surface names the parameters, without the photos' names."""
        return with_names(self.sentence, naming)


def with_names(sentence: str, naming: Naming) -> str:
    """Put a surface's names in place of the parameters of a sentence."""
    return _PARAMETER.sub(lambda found: naming(found[1], found[2]), sentence)


def in_python(parameter: str, value: str | None) -> str:
    """Write a parameter as in a call."""
    if value is None:
        return parameter
    return f"{parameter}={value if value.isdecimal() else repr(value)}"


@dataclass(frozen=True)
class Marks:
    """Where in the stored picture a refusal's reason lies, px; each a list of points (n, 2).

    Attributes
    ----------
    found : tuple of ndarray
        Closed outlines of what was found.
    trouble : tuple of ndarray
        Lines along what is wrong; a single point is a place.
    names : tuple of str
        What each outline found is called; empty where they have no names.
    """

    found: tuple[Places, ...] = ()
    trouble: tuple[Places, ...] = ()
    names: tuple[str, ...] = ()


class Refusal(UserError):  # noqa: N818 - it is an answer, not a fault
    """A photo that cannot be measured honestly, as data; `present.refusals` says it.

    Parameters
    ----------
    code : FlagCode
        Of the quality flag behind it.
    photo : str
        The photo's name or path.
    case : str
        Which of the reasons with this code it is; empty where there is but one.
    **fields : Field
        What the sentence about it needs; a name ends in its unit.
    """

    def __init__(self, code: FlagCode, photo: str, case: str = "", /, **fields: Field) -> None:
        super().__init__(code, photo, case)
        self.code = code
        self.photo = photo
        self.case = case
        self.fields = fields
        self.marks = Marks()

    def showing(self, marks: Marks) -> Self:
        """Say where in the picture the reason lies; gives itself."""
        self.marks = marks
        return self

    def __str__(self) -> str:
        """Name it; the words are for the surfaces."""
        told = "".join(f", {name} {value}" for name, value in self.fields.items())
        return f"{self.photo}: {self.code}{f' ({self.case})' if self.case else ''}{told}"

    def __reduce__(self) -> tuple[object, ...]:
        """Send it from one process to another with its fields."""
        return partial(Refusal, **self.fields), (self.code, self.photo, self.case), {"marks": self.marks}
