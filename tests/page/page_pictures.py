"""Pictures made for a test: small ones that are whole, and hostile ones."""

from __future__ import annotations

import io
import struct
import zlib

from PIL import Image


def picture(kind="JPEG", size=(400, 300), seed=0):
    """A picture of noise-free stripes; `seed` makes the bytes differ."""
    image = Image.linear_gradient("L").resize(size).convert("RGB")
    image.putpixel((0, 0), (seed % 256, 3, 5))
    out = io.BytesIO()
    more = {"comment": f"{seed}"} if kind == "JPEG" else {}  # the coding may lose a pixel's shade
    image.save(out, kind, **more)
    return out.getvalue()


def png_bomb(width, height):
    """A PNG of a few bytes whose header promises gigabytes."""

    def chunk(name, data):
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 1000)) + chunk(b"IEND", b"")
    )
