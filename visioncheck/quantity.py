"""A value with its standard uncertainty, degrees of freedom and unit."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measured value (JCGM 100:2008, *Guide to the expression of uncertainty in measurement*).

    Parameters
    ----------
    value : float
        Best estimate, in `unit`; signed.
    u : float
        Standard uncertainty, in `unit`.
    unit : str
        ``"deg"``, ``"mm"``, ``"mm/m"`` …
    dof : float
        Effective degrees of freedom; infinite where `u` is taken as known.
    """

    value: float
    u: float
    unit: str
    dof: float = math.inf

    def expanded(self, level: float = 0.95) -> float:
        """Half width of the two-sided interval at `level`, from Student's t (JCGM 100, G.6.4).

        The degrees of freedom are truncated to the next lower integer before the look-up.
        """
        return coverage_factor(self.dof, level) * self.u

    def scaled(self, factor: float, unit: str) -> Quantity:
        """The same quantity times an exact `factor`, in `unit`."""
        return replace(self, value=self.value * factor, u=self.u * abs(factor), unit=unit)


def coverage_factor(dof: float, level: float = 0.95) -> float:
    """Student's t quantile for a two-sided interval; the normal quantile for infinite `dof`."""
    from scipy import special  # lazy: kept off the path of --help

    p = 0.5 + level / 2
    if math.isinf(dof):
        return float(special.ndtri(p))
    return float(special.stdtrit(max(1.0, math.floor(dof + 1e-9)), p))
