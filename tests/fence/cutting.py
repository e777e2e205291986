"""Boards sawn on the computer: seated on a turned fence, cut, turned, cut again.

Seen from above: x to the operator's right, y forward, the blade cuts along x = 0, the fence is a line
turned counter-clockwise by e from where it should stand. A polygon is a list of (corner, name of
the edge that leaves it), counter-clockwise.
"""

from __future__ import annotations

import math

import numpy as np

SIDES = ("left", "right")


def direction(angle_deg):
    return np.array([math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))])


def rotate(polygon, angle_deg):
    c, s = direction(angle_deg)
    return [(np.array([[c, -s], [s, c]]) @ p, name) for p, name in polygon]


def shift(polygon, by):
    return [(p + by, name) for p, name in polygon]


def edge(polygon, name):
    """Ends of a named edge, in counter-clockwise order."""
    k = [label for _, label in polygon].index(name)
    return polygon[k][0], polygon[(k + 1) % len(polygon)][0]


def clip(polygon, keep, fresh):
    """The part on one side (+1: x > 0) of the blade; the cut edge is named `fresh`."""
    out = []
    for k, (p, name) in enumerate(polygon):
        q = polygon[(k + 1) % len(polygon)][0]
        p_in, q_in = keep * p[0] > 0, keep * q[0] > 0
        crossing = p + (q - p) * (p[0] / (p[0] - q[0])) if p_in != q_in else None
        if p_in:
            out.append((p, name))
            if not q_in:
                out.append((crossing, fresh))
        elif q_in:
            out.append((crossing, name))
    return out


def interior_angle(polygon, first, second):
    """Interior angle between two neighbouring edges, second following first counter-clockwise."""
    a, b = edge(polygon, first)
    _, c = edge(polygon, second)
    u, v = a - b, c - b
    return math.degrees(math.atan2(v[0] * u[1] - v[1] * u[0], u @ v))


def seat(polygon, name, fence_deg, fence):
    """Turn the polygon so that the named edge lies on the fence, the body in front of it (or behind)."""
    a, b = edge(polygon, name)
    # counter-clockwise, the body lies left of each edge: rear fence, the edge runs rightwards
    want = fence_deg if fence == "rear" else fence_deg + 180
    polygon = rotate(polygon, want - math.degrees(math.atan2(*(b - a)[::-1])))
    return shift(polygon, -edge(polygon, name)[0])


def cut(polygon, on_fence, strip_mm, e, *, piece, fence, fresh, nominal_deg=90.0):
    """One cut taking `strip_mm` off; returns (the piece kept, what falls off), both as they lie on the saw."""
    set_to = (nominal_deg - 90) * (1 if (piece == "left") == (fence == "rear") else -1)
    polygon = seat(polygon, on_fence, set_to + e, fence)
    side = -1 if piece == "left" else 1
    x = np.array([p[0] for p, _ in polygon])
    reach = x.max() - strip_mm if piece == "left" else x.min() + strip_mm
    polygon = shift(polygon, np.array([-reach, 0.0]))
    return clip(polygon, side, fresh), clip(polygon, -side, fresh)


def regular(sides, across=400.0, askew_mm=None):
    """A regular panel; each corner moved by so much where that is given, (sides, 2)."""
    corners = [direction(360 * k / sides) * across / 2 for k in range(sides)]
    if askew_mm is not None:
        corners = list(np.array(corners) + askew_mm)
    return [(p, f"old{k}") for k, p in enumerate(corners)]


def neighbour_names(polygon, name):
    names = [label for _, label in polygon]
    k = names.index(name)
    return names[k - 1], names[(k + 1) % len(names)]


def corner_at(polygon, fence_edge, cut_edge):
    """Interior angle between fence edge and cut edge, whichever comes first counter-clockwise."""
    before, after = neighbour_names(polygon, cut_edge)
    if fence_edge == before:
        return interior_angle(polygon, fence_edge, cut_edge)
    assert fence_edge == after
    return interior_angle(polygon, cut_edge, fence_edge)


def successive(n, e, piece, fence, panel, *, first=None):
    """Cut n times round a panel of so many sides; the first cut with an error of its own where one is given.

    Returns (panel, last strip as it lies on the saw, name of the strip's outer edge, of its fresh one).
    """
    nominal = 180 - 360 / len(panel)
    first = e if first is None else first
    strip, outer, last_fresh = None, None, "old0"
    for k in range(1, n + 1):
        on_fence = last_fresh
        before, after = neighbour_names(panel, on_fence)
        # the side at the blade: rightwards of the fence edge for a panel on the left of a rear fence, and mirrored
        outer = after if (piece == "left") == (fence == "rear") else before
        fresh = f"cut{k}"
        panel, strip = cut(
            panel, on_fence, 25, first if k == 1 else e, piece=piece, fence=fence, fresh=fresh, nominal_deg=nominal
        )
        last_fresh = fresh
    return panel, strip, outer, last_fresh


def widths(strip, outer, length=100.0):
    """Rear and front width of the strip, `length` apart, square to its fresh edge (which lies on x = 0)."""
    a, b = edge(strip, outer)
    middle = (a[1] + b[1]) / 2
    at = [middle - length / 2, middle + length / 2]
    return [abs(a[0] + (b[0] - a[0]) * (y - a[1]) / (b[1] - a[1])) for y in at]


def board(length=900.0, width=80.0, taper_deg=0.0):
    """A board with its edges ``a`` (along y = 0) and ``c``; wider to the right by the taper."""
    rise = math.tan(math.radians(taper_deg)) * length / 2
    corners = [((0, 0), "a"), ((length, 0), "b"), ((length, width + rise), "c"), ((0, width - rise), "d")]
    return [(np.array(p, float), name) for p, name in corners]


def four_cuts(e, piece, fence):
    """A panel cut all round; its edges ``cut1`` to ``cut4`` in the order cut."""
    panel, _, _, _ = successive(5, 0.0, piece, fence, regular(4))  # a true start, so that four cuts remain to be made
    panel = [(p, f"old{k}") for k, (p, _) in enumerate(panel)]
    fresh = "old0"
    for k in range(1, 5):
        panel, _ = cut(panel, fresh, 10, e, piece=piece, fence=fence, fresh=f"cut{k}")
        fresh = f"cut{k}"
    return panel


def turned_over(polygon):
    """Turned face down about the x axis: y changes sign, so does the sense of going round."""
    flipped = [(p * np.array([1, -1]), name) for p, name in polygon]
    names = [name for _, name in flipped]
    return [(flipped[k][0], names[k - 1]) for k in range(len(flipped))][::-1]


def butted(whole, e, turned, fence, clearance=0.0):
    """Cut a board in two, turn one half over, and butt the fresh edges, both halves against one straightedge.

    The straightedge lies along y = 0 where the fence was. Returns both halves, touching but for `clearance`.
    """
    middle = (whole[1][0][0] - whole[0][0][0]) / 2
    halves = {piece: cut(whole, "a", middle, e, piece=piece, fence=fence, fresh="fresh")[0] for piece in SIDES}
    halves = {
        piece: seat(turned_over(half), "c", 0.0, fence) if piece == turned else seat(half, "a", 0.0, fence)
        for piece, half in halves.items()
    }
    reach = {piece: np.array(sorted(edge(half, "fresh"), key=lambda p: p[1]))[:, 0] for piece, half in halves.items()}
    halves["right"] = shift(halves["right"], np.array([clearance - (reach["right"] - reach["left"]).min(), 0.0]))
    return halves["left"], halves["right"]


def wedge_of(left, right):
    """Angle between two butted halves' fresh edges, deg; positive where it opens forwards."""
    lean = {}
    for side, half in (("left", left), ("right", right)):
        a, b = edge(half, "fresh")
        lean[side] = (b - a)[0] / (b - a)[1]  # x per y of the fresh edge
    return math.degrees(math.atan(lean["right"]) - math.atan(lean["left"]))
