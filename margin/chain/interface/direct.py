"""The load acts on the sensor as it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from margin.chain.elements import Contact
from margin.chain.parameter import Value
from margin.chain.setting import Setting


@dataclass(frozen=True, kw_only=True)
class DirectInterface:
    """Ideal interface: the whole load, evenly, over the designed area."""

    kind: ClassVar[str] = "direct"

    def transmit(self, load: Value, setting: Setting) -> Contact:
        """Contact with force = load (N)."""
        return Contact(load)

    def load_from(self, force: Value) -> Value:
        """Load (N) = force (N)."""
        return force
