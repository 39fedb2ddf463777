"""Variants of a case on common draws.

Variants share all draws but those that they draw again, so that their difference is that of what they change (common
random numbers).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Variant:
    """What a variant changes of a case; nothing by default.

    scales   factor or sampling uncertainty -> multiplier of its spread: 0 frozen, 0.5 halved
    redrawn  columns (see `points_source.Column`) with other, independent draws
    """

    scales: Mapping[str, float] = field(default_factory=dict)
    redrawn: frozenset[str] = frozenset()


def redrawn_name(stream: str) -> str:
    """Name of the stream of other draws."""
    return f"{stream} (again)"
