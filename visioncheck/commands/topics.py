"""``visioncheck help``: the handbook's pages."""

from __future__ import annotations

from typing import Annotated

import typer


def topics(
    topic: Annotated[str | None, typer.Argument(metavar="TOPIC", help="One that is listed without it.")] = None,
) -> None:
    """Explain a topic, such as shooting, cuts or slots; without one, list them."""
    from visioncheck.present.topics import TOPICS, print_topic, topic_title

    if topic is not None:
        print_topic(topic)
        return
    widest = max(map(len, TOPICS))
    for each in TOPICS:
        typer.echo(f"{each:{widest}}  {topic_title(each)}")
    typer.echo("\nvisioncheck help TOPIC prints one of them; visioncheck COMMAND --help lists a command's options.")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("help")(topics)
