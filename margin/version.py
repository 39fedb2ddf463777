"""Version of this package; it loads nothing, so that asking for it costs nothing."""

from __future__ import annotations

import importlib.metadata


def version() -> str:
    """Version of this package as installed; '0' where it runs without being installed."""
    try:
        return importlib.metadata.version("margin")
    except importlib.metadata.PackageNotFoundError:
        return "0"
