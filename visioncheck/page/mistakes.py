"""What is wrong with what was typed, and beside which field that is said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from visioncheck.errors import InputError
from visioncheck.page.uploads import with_point
from visioncheck.present.naming import as_field, as_sentence

if TYPE_CHECKING:
    from collections.abc import Mapping

    from visioncheck.errors import UserError
    from visioncheck.units import UnitWorld


@dataclass(frozen=True)
class Mistake:
    """One sentence, and the field that it is about; empty where it is about several or none."""

    sentence: str
    field: str = ""


def mistake_from(problem: UserError, labels: Mapping[str, str], fields: Mapping[str, str] | None = None) -> Mistake:
    """Say a mistake by a form's labels.

    Parameters
    ----------
    problem : UserError
        The mistake.
    labels : mapping of str to str
        What the form calls its fields, and what else a parameter is called in it.
    fields : mapping of str to str, optional
        The field of a parameter that has another name in the form.
    """
    said = problem.said(lambda parameter, value: labels.get(parameter) or as_field(parameter, value))
    parameter = problem.parameter if isinstance(problem, InputError) else ""
    field = (fields or {}).get(parameter, parameter)
    return Mistake(as_sentence(said, "page"), field if field in labels else "")


def in_units(text: str, units: UnitWorld) -> str:
    """A length as it was typed, with the page's unit where it has none; a foot's or an inch's mark is a unit."""
    pointed = with_point(text)
    return pointed if not pointed or pointed[-1].isalpha() or pointed[-1] in "\"'" else f"{pointed}{units}"
