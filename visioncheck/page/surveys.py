"""A survey under way: what is known of each photo of the bare sheets, one file for each."""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from visioncheck.camera.same import CameraSettings
from visioncheck.files import write_whole
from visioncheck.measuring.sheets import SheetPhoto
from visioncheck.points.model import TargetPoints

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

_EARLIER = "the first one"
"""What messages call a photo of before: only the first is ever compared with."""
_FLOATS = ("xy_px", "u_px", "blue_px", "red_px")


@dataclass(frozen=True)
class Taken:
    """One photo of the bare sheets.

    Attributes
    ----------
    photo : SheetPhoto
        What the survey needs of it.
    rotation : (3, 3) ndarray
        Table to camera, as the nominal page shows it.
    """

    photo: SheetPhoto
    rotation: NDArray[np.float64]

    @property
    def name(self) -> str:
        """What it is known by here."""
        return self.photo.sha256[:16]


class SurveyFolder:
    """The photos of one phone's survey under way.

    Parameters
    ----------
    page_folder : Path
        Of the page.
    session : str
        Whose survey.
    """

    def __init__(self, page_folder: Path, session: str) -> None:
        # a name of our own making: nothing that a client sends becomes part of a path
        self.folder = page_folder / "surveys" / hashlib.sha256(session.encode()).hexdigest()[:16]

    def photos(self) -> list[Taken]:
        """All photos so far, in the order of their coming."""
        if not self.folder.is_dir():
            return []
        files = sorted(self.folder.glob("*.json"), key=lambda path: path.stat().st_mtime_ns)
        contents = [json.loads(path.read_text(encoding="utf-8")) for path in files]
        # a survey that was begun before an update is begun anew
        return [_taken(content) for content in contents if "camera" in content]

    def add(self, taken: Taken) -> None:
        """Keep one photo's points; the same photo again replaces itself."""
        write_whole(self.folder / f"{taken.name}.json", json.dumps(_content(taken)).encode())

    def remove(self, name: str) -> None:
        """Forget one photo, by the beginning of its hash; any other text names none."""
        for taken in self.photos():
            if taken.name == name:
                (self.folder / f"{name}.json").unlink(missing_ok=True)

    def clear(self) -> None:
        """Start over."""
        shutil.rmtree(self.folder, ignore_errors=True)


def _content(taken: Taken) -> dict[str, Any]:
    points = taken.photo.points
    return {
        "sha256": taken.photo.sha256,
        "camera": asdict(taken.photo.camera),
        "rotation": taken.rotation.tolist(),
        "paper": points.paper,
        "field": points.field,
        "sheet": points.sheet.tolist(),
        "index": points.index.tolist(),
        "blur_px": points.blur_px,
        **{name: getattr(points, name).tolist() for name in _FLOATS},
    }


def _taken(content: dict[str, Any]) -> Taken:
    def floats(name: str) -> NDArray[np.float64]:
        return np.array(content[name], float)

    points = TargetPoints(
        paper=content["paper"],
        field=content["field"],
        sheet=np.array(content["sheet"], np.int64),
        index=np.array(content["index"], np.int64),
        xy_px=floats("xy_px"),
        u_px=floats("u_px"),
        blue_px=floats("blue_px"),
        red_px=floats("red_px"),
        blur_px=content["blur_px"],
    )
    said = content["camera"]
    camera = CameraSettings(**(said | {"size": (int(said["size"][0]), int(said["size"][1]))}))
    photo = SheetPhoto(_EARLIER, content["sha256"], camera, points)
    return Taken(photo, np.array(content["rotation"], float))
