"""Colour profiles as software writes them."""

from __future__ import annotations

import struct

# D50 columns of sRGB's primaries, as the ICC's own sRGB profile has them
_PRIMARIES = {
    b"rXYZ": (0.4361, 0.2225, 0.0139),
    b"gXYZ": (0.3851, 0.7169, 0.0971),
    b"bXYZ": (0.1431, 0.0606, 0.7141),
    b"wtpt": (0.9642, 1.0, 0.8249),
}


def profile(gamma: float, *, grey: bool = False) -> bytes:
    """A display's, light = level ** gamma, of sRGB's primaries or of grey alone (ICC.1:2001-04, 6.1 to 6.5)."""
    curve = b"curv" + bytes(4) + struct.pack(">IH", 1, round(256 * gamma)) + bytes(2)
    colours = [b"wtpt"] if grey else list(_PRIMARIES)
    tags = {name: b"XYZ " + bytes(4) + struct.pack(">3i", *(round(65536 * v) for v in xyz))
            for name, xyz in _PRIMARIES.items() if name in colours}  # fmt: skip
    tags |= dict.fromkeys((b"kTRC",) if grey else (b"rTRC", b"gTRC", b"bTRC"), curve)
    tags[b"desc"] = b"desc" + bytes(4) + struct.pack(">I", 5) + b"test\0" + bytes(78 + 1)
    tags[b"cprt"] = b"text" + bytes(4) + b"none\0" + bytes(3)
    at = 128 + 4 + 12 * len(tags)
    index, body = struct.pack(">I", len(tags)), b""
    for name, data in tags.items():
        index += name + struct.pack(">2I", at + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    size = at + len(body)
    head = struct.pack(">I4sI4s4s4s", size, bytes(4), 0x02100000, b"mntr", b"GRAY" if grey else b"RGB ", b"XYZ ")
    head += bytes(12) + b"acsp" + bytes(28) + struct.pack(">3i", *(round(65536 * v) for v in _PRIMARIES[b"wtpt"]))
    return head.ljust(128, b"\0") + index + body
