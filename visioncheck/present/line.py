"""A line of a report."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LabelledLine:
    """One line of a report: a short label and what it says."""

    label: str
    text: str
