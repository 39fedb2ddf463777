"""The common base of the errors of this project; the lowest module, so that every other one can raise them."""

from __future__ import annotations


class MarginError(Exception):
    """Base of every error that this project defines; each is a ValueError, RuntimeError or TypeError as well."""


class InvalidArgument(MarginError, ValueError):
    """An argument that a function cannot take; the message says which values it can."""
