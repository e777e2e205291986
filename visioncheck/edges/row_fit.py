"""The fit of a model of light to every row across a wall at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from visioncheck.edges.edge_spread import EdgeSpread
from visioncheck.edges.light_rows import LightRows
from visioncheck.fitting.least_squares import ManyFits, Prior, fit_many

Array = NDArray[np.float64]

_LONGEST_STEP_PX = 0.7


class RowModel(Protocol):
    """What light stands at which offset from the guide."""

    def light(self, offsets: Array, terms: Array, spread: EdgeSpread) -> tuple[Array, Array]:
        """Light (n, m) at the offsets of each row, and its derivatives by the terms."""

    def weight(self, offsets: Array) -> Array:
        """How far each pixel takes part."""


def fit_rows(
    rows: LightRows,
    model: RowModel,
    spread: EdgeSpread,
    start: Array,
    prior: Prior,
    noise: float,
    *,
    rounds: int,
    places: Sequence[int],
) -> ManyFits:
    """Fit the terms of each row.

    Parameters
    ----------
    start : (n, p) ndarray
        Where to begin.
    noise : float
        Scatter of the light in one row.
    places : sequence of int
        Numbers of the terms that are places, px: no step moves one by more than `_LONGEST_STEP_PX`.
    """
    return fit_many(
        lambda terms: model.light(rows.offsets, terms, spread),
        rows.light,
        model.weight(rows.offsets),
        start,
        prior,
        noise,
        rounds=rounds,
        limited=places,
        longest=_LONGEST_STEP_PX,
    )
