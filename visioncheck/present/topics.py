"""The pages of the handbook that ``visioncheck help`` prints: Markdown files in the package, set for the terminal."""

from __future__ import annotations

import re
from importlib.resources import files
from typing import TYPE_CHECKING

from rich.console import Console
from rich.markdown import Markdown
from rich.text import Text

from visioncheck.errors import UserError

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

TOPICS = (
    "survey",
    "shooting",
    "cuts",
    "tolerance",
    "reading",
    "moving",
    "log",
    "batch",
    "page",
    "typed",
    "angles",
    "bevel",
    "straight",
    "slots",
    "travel",
    "grooves",
    "lengths",
    "units",
    "python",
    "accuracy",
    "limits",
    "cautions",
    "changes",
)
"""In the order of a first job."""

_WIDEST = 100  # longer lines of prose are hard to follow
_PICTURE = re.compile(r"^!\[[^\]]*\]\([^)]*\)\n+", re.MULTILINE)
_CODE = re.compile(r"^```\w*\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_TO_TOPIC = re.compile(r"\[[^\]]*\]\((\w+)\.md\)")


def topic_text(topic: str) -> str:
    """Give the Markdown of one topic; `UserError` names the topics where there is no such one."""
    if topic not in TOPICS:
        raise UserError(f"There is no topic {topic!r}; there are {', '.join(TOPICS)}.")
    return _file(topic).read_text(encoding="utf-8")


def topic_title(topic: str) -> str:
    """Give the heading of a topic's page."""
    return topic_text(topic).split("\n", 1)[0].removeprefix("# ")


def print_topic(topic: str, console: Console | None = None) -> None:
    """Print one topic; a link to another page becomes the command that prints it, pictures are left out."""
    text = _TO_TOPIC.sub(r"`visioncheck help \1`", _PICTURE.sub("", topic_text(topic)))
    console = console or Console(highlight=False)
    for place, part in enumerate(_CODE.split(text)):
        if place % 2 == 0:
            console.print(Markdown(part), width=min(console.width, _WIDEST))
        else:
            # never broken: a command is to be copied whole
            console.print(Text("\n" + part, style="cyan"), soft_wrap=True)


def _file(topic: str) -> Traversable:
    return files("visioncheck").joinpath("docs", "topics", f"{topic}.md")
