"""Web pages: the templates, the one stylesheet, and pictures inside the page itself."""

from __future__ import annotations

import base64
import functools
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined


@functools.cache
def environment() -> Environment:
    """Set up the templates; whatever is put into one is escaped, so that a sled's name is text and never markup."""
    return Environment(
        loader=PackageLoader("visioncheck.present"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def stylesheet() -> str:
    """Read the stylesheet of every page."""
    return files("visioncheck.present").joinpath("templates", "style.css").read_text("utf-8")


def render_page(template: str, **context: Any) -> str:
    """Fill a template that extends ``base.html.j2``, with the stylesheet inside."""
    from markupsafe import Markup

    # the package's own text, and no HTML can end the style element: it has no "<"
    return environment().get_template(template).render(style=Markup(stylesheet()), **context)  # noqa: S704


def data_uri(content: bytes, kind: str) -> str:
    """Put a picture into the page itself; `kind` is such as ``image/jpeg``."""
    return f"data:{kind};base64,{base64.b64encode(content).decode()}"
