"""A result as a piece of HTML, for notebooks; every text in it is escaped."""

from __future__ import annotations

from typing import TYPE_CHECKING

from visioncheck.present.cautions import CAUTIONS
from visioncheck.present.pages import data_uri, environment

if TYPE_CHECKING:
    from collections.abc import Sequence

    from visioncheck.present.line import LabelledLine


def as_html(title: str, lines: Sequence[LabelledLine], picture_png: bytes, *, cautions: bool = False) -> str:
    """Lay out a result's lines as a table above its picture.

    Parameters
    ----------
    title : str
        What it is of.
    lines : sequence of LabelledLine
        What is said.
    picture_png : bytes
        Goes into the HTML itself, so that a notebook keeps it.
    cautions : bool
        Whether something is to be done at the saw.
    """
    template = environment().get_template("notebook.html.j2")
    picture = data_uri(picture_png, "image/png")
    return template.render(title=title, lines=lines, picture=picture, cautions=CAUTIONS if cautions else ())
