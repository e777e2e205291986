"""The colour profile that a photo carries (ISO 15076-1, ICC): its levels brought to those of sRGB."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray

from visioncheck import checks

Picture = NDArray[np.uint8]


def to_srgb(bgr: Picture, profile: bytes) -> Picture:
    """Bring a picture to sRGB by its profile; the same picture where its greys have sRGB's curve already.

    A profile that is damaged, or of other colours than the picture's, counts as none.

    Parameters
    ----------
    bgr : (height, width, 3) uint8 ndarray
        As decoded.
    profile : bytes
        What the file carries.
    """
    from PIL import Image, ImageCms

    try:
        own = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        grey = own.profile.xcolor_space.strip() == "GRAY"
        # its table for greys is too coarse in the dark
        flags = ImageCms.Flags.NOOPTIMIZE if grey else ImageCms.Flags.NONE
        convert = ImageCms.buildTransform(
            own, ImageCms.createProfile("sRGB"), "L" if grey else "RGB", "RGB", flags=flags
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError, AttributeError):
        return bgr

    def through(levels: Picture) -> Picture:
        return np.asarray(ImageCms.applyTransform(Image.fromarray(levels), convert))

    ramp = np.arange(256, dtype=np.uint8)
    greys = ramp[None] if grey else np.repeat(ramp[None, :, None], 3, axis=2)
    curve = through(greys)[0]
    if np.abs(curve.mean(axis=1) - ramp).max() <= checks.PROFILE_SAME_LEVELS:
        return bgr
    return curve[:, 1][bgr] if grey else through(np.ascontiguousarray(bgr[..., ::-1]))[..., ::-1].copy()
