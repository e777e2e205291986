"""A commented sled file from answers."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from visioncheck.errors import UserError
from visioncheck.files import write_whole
from visioncheck.sled.file import parse_sled
from visioncheck.sled.model import Sled

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Answers:
    """What the owner said, each as it was typed; `kerf` and `tip_width` may be empty: not known."""

    name: str
    units: str
    tolerance: str
    fence_side: str
    pivot: str
    fence_length: str
    adjuster_distance: str
    mitre: str
    forward: str
    kind: str
    leaves: tuple[str, ...]
    pitch: str
    clockwise: str
    kerf: str
    tip_width: str
    piece_side: str
    # what the tolerance was taken from, where it was
    work: str = ""


def default_answers(units: str) -> Answers:
    """Usual answers in either world; dimensions and sets are common practice, without a source."""
    inch = units == "in"
    thou = (1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9, 10, 12, 15, 20, 25)
    tenths = (0.05, 0.10, 0.15, 0.20, 0.25, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 1.00)
    return Answers(
        name="Crosscut sled",
        units=units,
        tolerance="0.005in/ft" if inch else "0.3mm/m",
        fence_side="rear",
        pivot="left",
        fence_length="30in" if inch else "750mm",
        adjuster_distance="24in" if inch else "600mm",
        mitre="",
        forward="right",
        kind="shims",
        leaves=tuple(f"{t / 1000:.4f}in" for t in thou) if inch else tuple(f"{t:.2f}mm" for t in tenths),
        pitch="1/20in" if inch else "1mm",
        clockwise="forward",
        kerf="1/8in" if inch else "3.2mm",
        tip_width="1/8in" if inch else "3.2mm",
        piece_side="left",
    )


def read_answers(text: str) -> Answers | None:
    """Give the answers that would write a sled file of this content anew.

    Returns
    -------
    Answers or None
        None where the file says more than answers can: writing it anew would lose that.
    """
    data = tomllib.loads(text)
    fence, adjuster, blade = (data.get(table, {}) for table in ("fence", "adjuster", "blade"))
    usual = default_answers(str(data.get("units", "mm")))
    answers = Answers(
        name=str(data.get("name", "")),
        units=usual.units,
        tolerance=str(data.get("tolerance", "")),
        fence_side=str(fence.get("side", "")),
        pivot=str(fence.get("pivot", "")),
        fence_length=str(fence.get("length", "")),
        adjuster_distance=str(fence.get("adjuster_distance", "")),
        mitre=str(fence.get("mitre", "")),
        forward=str(fence.get("forward", usual.forward)),
        kind=str(adjuster.get("kind", "")),
        leaves=tuple(str(leaf) for leaf in adjuster.get("leaves", usual.leaves)),
        pitch=str(adjuster.get("pitch", "")),
        clockwise=str(adjuster.get("clockwise", "")),
        kerf=str(blade.get("kerf", "")),
        tip_width=str(blade.get("tip_width", "")),
        piece_side=str(data.get("piece", {}).get("side", "left")),
    )
    said = tomllib.loads(sled_text(answers))
    return answers if all(_keys(data, at) <= _keys(said, at) for at in (None, *data)) else None


def _keys(data: Mapping[str, Any], table: str | None) -> set[str]:
    inside = data if table is None else data.get(table)
    return set(inside) if isinstance(inside, dict) else set()


def sled_text(a: Answers) -> str:
    """TOML text with a comment at each key."""
    adjuster = (
        ["# every leaf that you own, one entry each; at most three are stacked", f"leaves = {_list(a.leaves)}"]
        if a.kind == "shims"
        else [
            "# travel of the screw in one turn (M6: 1mm, 1/4-20: 1/20in)",
            f"pitch = {_quoted(a.pitch)}",
            "# where the fence goes there when the screw is turned clockwise, seen from its head: forward or back",
            f"clockwise = {_quoted(a.clockwise)}",
        ]
    )
    known = {"kerf": a.kerf, "tip_width": a.tip_width}
    blade = [
        "[blade]",
        "# width of the cut as measured, and over the teeth as the blade is marked",
        *(f"{key} = {_quoted(said)}" for key, said in known.items() if said),
    ]
    lines = [
        "# A crosscut sled. Lengths are written as 24in, 18 1/2in, 600mm; slopes as 0.005in/ft or 0.3mm/m.",
        f"name = {_quoted(a.name)}",
        "# which units to speak first: in or mm",
        f"units = {_quoted(a.units)}",
        f"# the largest fence error that you can live with{f': {a.work}' if a.work else ''}",
        f"tolerance = {_quoted(a.tolerance)}",
        "",
        "[fence]",
        "# rear: between you and the work; front: beyond the work",
        f"side = {_quoted(a.fence_side)}",
        "# the end that stays when you adjust, seen from where you stand: left or right",
        f"pivot = {_quoted(a.pivot)}",
        f"length = {_quoted(a.fence_length)}",
        "# from the pivot to the place where the fence is moved",
        f"adjuster_distance = {_quoted(a.adjuster_distance)}",
        *_mitre_lines(a),
        "",
        "[adjuster]",
        "# shims (leaves against a stop block) or screw",
        f"kind = {_quoted(a.kind)}",
        *adjuster,
        "",
        *blade,
        "",
        "[piece]",
        "# the side of the blade that you keep test pieces from",
        f"side = {_quoted(a.piece_side)}",
    ]
    return "\n".join(lines) + "\n"


def _mitre_lines(a: Answers) -> list[str]:
    if not a.mitre:
        return []
    return [
        "# set off square on purpose by so much, and its end that then stands forward (away from you)",
        f"mitre = {_quoted(a.mitre)}",
        f"forward = {_quoted(a.forward)}",
    ]


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # JSON strings of printable text are TOML strings too


def _list(texts: tuple[str, ...]) -> str:
    return "[" + ", ".join(_quoted(text) for text in texts) + "]"


def refuse_existing(path: Path) -> None:
    """Refuse to write over a file.

    Raises
    ------
    UserError
        When something stands there already.
    """
    try:
        there = path.exists()
    except (OSError, ValueError):
        raise UserError("The sled file's name is no possible file name; choose a shorter, plainer one") from None
    if there:
        raise UserError(f"{path} exists already; choose another name, or edit it with any text editor")


def write_sled(path: Path, answers: Answers) -> Sled:
    """Check the answers by reading them back, then write a new file whole or not at all.

    Raises
    ------
    UserError
        When an answer cannot be, the file exists, or it cannot be written.
    """
    refuse_existing(path)
    text = sled_text(answers)
    sled = parse_sled(text, str(path))
    write_whole(path, text.encode(), make_folders=False)
    return sled
