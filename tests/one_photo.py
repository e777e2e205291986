"""One piece measured from a rig and what is told, without files of sled and rig: the short way of the tests."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from visioncheck.measuring import pair, photo
from visioncheck.measuring.detect import Detection, Measured
from visioncheck.measuring.options import PieceOptions
from visioncheck.measuring.request import MeasureRequest, RigFile, SledFile

if TYPE_CHECKING:
    from visioncheck.camera.rig import Rig
    from visioncheck.quantity import Quantity
    from visioncheck.sled.model import Sled


def request(
    path: Path,
    rig: Rig | None = None,
    thickness: Quantity | None = None,
    piece: str | None = None,
    sled: Sled | None = None,
    fence_edge: str | None = None,
    cuts: int | None = None,
    turned: Path | None = None,
    **told: Any,
) -> MeasureRequest:
    """Ask for one photo or pair; `told` are further fields of `PieceOptions`."""
    return MeasureRequest(
        path,
        turned,
        None if sled is None else SledFile(sled, ""),
        None if rig is None else RigFile(rig, ""),
        PieceOptions(thickness, piece, fence_edge, cuts, **told),
    )


def measure_photo(path: Path | Detection, *what: Any, **told: Any) -> Measured:
    """Measure one photo, or what was found in it already; see `request`."""
    if isinstance(path, Detection):
        return photo.measure_photo(request(path.photo.path, *what, **told), path)
    return photo.measure_photo(request(path, *what, **told))


def measure_turned(paths: tuple[Path, Path], *what: Any, **told: Any) -> Measured:
    """Measure a piece in two photos; see `request`."""
    return pair.measure_turned(request(paths[0], *what, turned=paths[1], **told))
