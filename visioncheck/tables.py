"""The tables of a user's TOML file as pydantic models, and one clear complaint for what does not fit one.

A file's format is its models: which keys there are, which are needed, between which limits a length lies. Imported
where a file is read, and not before: pydantic takes a fifth of a second to load.
"""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches
from typing import Annotated, Any, TypeVar, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, ValidationInfo
from pydantic.fields import FieldInfo

from visioncheck.errors import UserError
from visioncheck.units import parse_length

Path = tuple[str | int, ...]
"""Where in a file: names of tables and keys, and places in lists, from 0."""
_NAME = 'is missing or no name; write for example name = "Long sled"'


class Table(BaseModel):
    """One table of a file; an unknown key is a slip of the pen, and none is converted silently."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


Model = TypeVar("Model", bound=Table)


class Slip(Exception):  # noqa: N818 - what is wrong in a file, before the file is named
    """The first thing that is wrong: where it is, and what is wrong with it and what to write."""

    def __init__(self, path: Path, sentence: str) -> None:
        super().__init__(path, sentence)
        self.path, self.sentence = path, sentence


def fill(model: type[Model], data: dict[str, Any], what: str, units: str | None = None) -> Model:
    """Put parsed TOML into its model.

    Parameters
    ----------
    model : type of Table
        The whole file's.
    data : dict
        As TOML gave it.
    what : str
        What the file is, with its article: ``"a sled file"``.
    units : {"in", "mm"} or None
        The unit of a bare number, where lengths may be such; None: they may not.

    Raises
    ------
    Slip
        The first thing that does not fit; unknown keys first, since a misspelt key is also a missing one.
    """
    try:
        return model.model_validate(data, context={"units": units})
    except ValidationError as error:
        slips = error.errors(include_url=False)
        first = min(slips, key=lambda each: each["type"] != "extra_forbidden")
        raise _slip(model, first, what) from None


def format_key(path: Path) -> str:
    """Write where a key is: ``adjuster.leaves[1]``; keys that are no plain names are quoted."""
    said = ""
    for part in path:
        name = str(part) if not isinstance(part, str) or part.isprintable() else repr(part)[1:-1]
        said += f"[{part + 1}]" if isinstance(part, int) else f".{name}" if said else name
    return said


def _slip(model: type[Table], slip: Any, what: str) -> Slip:
    kind, loc, given = slip["type"], slip["loc"], slip["input"]
    path, models, field = _follow(model, loc)
    if kind in {"union_tag_invalid", "union_tag_not_found"}:
        choices = " or ".join(map(repr, _tags(list(_models(field)))))
        said = f"is {slip['ctx']['tag']!r:.40}" if kind == "union_tag_invalid" else "is missing"
        return Slip((*path, "kind"), f"{said}; write {choices}")
    sentences = {
        "extra_forbidden": lambda: _unknown(str(path[-1]), models, what),
        "missing": lambda: f"is missing; {_hint(path, field)}",
        "literal_error": lambda: f"is {given!r:.40}; write {slip['ctx']['expected']}",
        "model_type": lambda: f"must be a table, {_heading(path)} on a line of its own",
        "model_attributes_type": lambda: f"must be a table, {_heading(path)} on a line of its own",
        "value_error": lambda: str(slip["ctx"]["error"]),
    }
    return Slip(path, sentences.get(kind, lambda: f"cannot be; {_hint(path, field)}")())


def _follow(model: type[Table], loc: Path) -> tuple[Path, list[type[Table]], FieldInfo | None]:
    """The path without the tags of unions, the models that its last key stands in, and that key's field."""
    path: list[str | int] = []
    inside, field = [model], None
    last = inside
    for part in loc:
        if isinstance(part, int):
            path.append(part)
            continue
        found = _field(inside, part)
        if found is None and len(inside) > 1 and part in _tags(inside):
            continue  # which of several tables it was taken for
        path.append(part)
        last, field = inside, found
        inside = list(_models(found))
    return tuple(path), last, field


def _field(models: list[type[Table]], key: str) -> FieldInfo | None:
    fields = (item for each in models for item in each.model_fields.items())
    return next((field for name, field in fields if key == _key(name, field)), None)


def _key(name: str, field: FieldInfo) -> str:
    return field.alias or name


def _tags(models: list[type[Table]]) -> list[str]:
    return [str(tag) for each in models for tag in get_args(each.model_fields["kind"].annotation)]


def _models(field: FieldInfo | None) -> Iterator[type[Table]]:
    """The tables that a key can hold."""
    waiting = [] if field is None else [field.annotation]
    while waiting:
        one = waiting.pop(0)
        if isinstance(one, type) and issubclass(one, Table):
            yield one
        waiting += get_args(one)


def _unknown(key: str, models: list[type[Table]], what: str) -> str:
    known = list(dict.fromkeys(_key(name, field) for each in models for name, field in each.model_fields.items()))
    if key in known:  # of the other kind of table
        own = next(each for each in models if key not in each.model_fields)
        return f"does not belong to kind = {_tags([own])[0]!r}; take it out"
    near = get_close_matches(key, known, n=1)
    hint = f"did you mean {near[0]}?" if near else f"known here: {', '.join(known)}"
    return f"is no key of {what}; {hint}"


def _hint(path: Path, field: FieldInfo | None) -> str:
    if field is not None and field.description:
        return field.description
    choices = [] if field is None else [each for each in get_args(field.annotation) if isinstance(each, str)]
    if field is not None and field.annotation in (float, float | None):
        return _LENGTH
    if choices:
        return f"write {' or '.join(map(repr, choices))}"
    return f"write {_heading(path)} on a line of its own and its keys below"


def _heading(path: Path) -> str:
    return f"[{'.'.join(str(part) for part in path if isinstance(part, str))}]"


# ---------------------------------------------------------------------- values


def _name(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable() or len(value) > 100:
        raise ValueError(_NAME)
    return value.strip()


Name = Annotated[str, BeforeValidator(_name), Field(description='write for example name = "Long sled"')]
"""What something is called, in one line."""


def limits(least_mm: float, most_mm: float) -> BeforeValidator:
    """Require a length, in mm, that is written with its unit, or as a bare number in the file's own units."""

    def taken(value: Any, info: ValidationInfo) -> float:
        return within(value, least_mm, most_mm, (info.context or {}).get("units"))

    return BeforeValidator(taken)


_LENGTH = 'write it in quotes with its unit, such as "3/4in", "18 1/2in" or "600mm"'


def within(value: Any, least_mm: float, most_mm: float, units: str | None = None) -> float:
    """Read a length and hold it against its limits; mm.

    Raises
    ------
    ValueError
        What is wrong, and what to write.
    """
    bare = isinstance(value, int | float) and not isinstance(value, bool)
    if not isinstance(value, str) and not (bare and units):
        raise ValueError(f"{'has no unit' if bare else 'is no length'}; {_LENGTH}")
    try:
        mm = parse_length(value if isinstance(value, str) else f"{value:.12f}", units)
    except UserError as error:
        raise ValueError(f"is wrong: {error}") from None
    if least_mm > 0 >= mm:
        raise ValueError(f"is {str(value).strip()}; it must be more than nothing")
    if not least_mm <= mm <= most_mm:
        raise ValueError(f"is {mm:g} mm; it should lie between {least_mm:g} and {most_mm:g} mm")
    return mm
