"""Counts in words."""

from __future__ import annotations


def plural(noun: str, number: float) -> str:
    """The noun as it stands behind a number: 'reading' behind 1, else 'readings'."""
    return noun if number == 1 else f"{noun}s"


def counted(number: int, noun: str) -> str:
    """'1 reading', '12 readings'."""
    return f"{number} {plural(noun, number)}"
