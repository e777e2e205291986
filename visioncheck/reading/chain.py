"""How the straight edges of a piece follow each other: which of them meet, and which have a free end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Chain:
    """The straight edges round a piece, and the places at which they end.

    Attributes
    ----------
    ends : tuple of (int, int)
        The places at which an edge begins and ends.
    through : tuple of tuple of int
        The edges that pass through a place: two that meet there, the one that ends first, or one with a free end.
    """

    ends: tuple[tuple[int, int], ...]
    through: tuple[tuple[int, ...], ...]

    @classmethod
    def of(cls, straight: Sequence[bool]) -> tuple[Chain, tuple[int, ...]]:
        """The straight ones of an outline's sides (side i from corner i to i + 1), and the corners that are places."""
        count = len(straight)
        number = {side: edge for edge, side in enumerate(side for side in range(count) if straight[side])}
        edges_at = [
            tuple(number[side] for side in ((corner - 1) % count, corner) if side in number) for corner in range(count)
        ]
        corners = tuple(corner for corner in range(count) if edges_at[corner])
        place = {corner: k for k, corner in enumerate(corners)}
        ends = tuple((place[side], place[(side + 1) % count]) for side in number)
        return cls(ends, tuple(edges_at[corner] for corner in corners)), corners

    @classmethod
    def ring(cls, count: int) -> Chain:
        """Edges that all meet: edge i from place i to i + 1."""
        return cls.of((True,) * count)[0]

    @property
    def meetings(self) -> tuple[tuple[int, int], ...]:
        """The pairs of edges that meet, each in the order of the outline."""
        return tuple((edges[0], edges[1]) for edges in self.through if len(edges) == 2)


FOUR = Chain.ring(4)
