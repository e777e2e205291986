"""How each surface names a parameter, and so says an error about one."""

from __future__ import annotations

from typing import Literal

from visioncheck.errors import Naming, Refusal, UserError, in_python

Door = Literal["command", "page", "python"]

_LABELS = {
    "piece": "kind of piece",
    "fence_edge": "edge at the fence",
    "cut_edge": "the cut",
    "cuts": "successive cuts",
    "thickness": "thickness",
    "turned_half": "the half turned over",
    "edges": "the two edges",
    "slot": "which slot",
    "turned": "the second photo",
    "nominal": "the angle of the cut",
    "cut": "fresh cut, or the piece of before",
    "adjusted": "what was changed on the sled",
    "corrects": "the reading it corrects",
    "withdraw": "the reason to withdraw it",
    "ruled": "the ruled length",
}
_CHOICES = {
    "corner": "offcut, one fresh cut",
    "panel": "panel, cut all round",
    "slot": "board with a saw slot",
    "gap": "two halves butted",
    "straight": "board's edge planed to fit the fence",
    "bevel": "board on its edge, for the blade's tilt",
}


def as_option(parameter: str, value: str | None = None) -> str:
    """Write a parameter as an option of the command line."""
    option = f"--{parameter.replace('_', '-')}"
    return option if value is None else f"{option} {value}"


def as_field(parameter: str, value: str | None = None) -> str:
    """Write a parameter as the page labels its field."""
    label = _LABELS.get(parameter, parameter.replace("_", " "))
    return label if value is None else f"{label}: {_CHOICES.get(value, value)}"


NAMING: dict[Door, Naming] = {"command": as_option, "page": as_field, "python": in_python}


def sled_hint(door: Door) -> str:
    """Say how to learn the move of the fence too, where no sled is given."""
    given = NAMING[door]("sled", None)
    file = " SLED.toml" if door == "command" else ""
    return f"with {given}{file} the move of the fence is said too; visioncheck sled NEW.toml writes one"


def error_sentence(error: UserError, door: Door = "command") -> str:
    """Say an error as a surface does; the page, which shows one piece at a time, does not name its photos."""
    if isinstance(error, Refusal):
        from visioncheck.present.refusals import refusal_sentence

        return refusal_sentence(error, door)
    said = error.said(NAMING[door])
    named = f"{' and '.join(error.photos)}: {said}" if error.photos and door != "page" else said
    return as_sentence(named, door)


def as_sentence(said: str, door: Door) -> str:
    """End it with a full stop; on the page, where no name of a file or option is first, begin it with a capital."""
    begun = said[:1].upper() + said[1:] if door == "page" else said
    return begun if begun.endswith((".", "?", "!")) else f"{begun}."


def printable(text: str) -> str:
    """Take the signs out of a text that would steer the terminal; lines stay lines."""
    return "".join(sign if sign.isprintable() or sign == "\n" else "\N{REPLACEMENT CHARACTER}" for sign in text)
