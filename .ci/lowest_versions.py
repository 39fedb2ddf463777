"""Constraints for pip: each declared dependency at its lowest declared version ('numpy>=2.0' -> 'numpy==2.0')."""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path

EXTRAS = ("cluster", "test")
"""Extras whose lowest versions are tested; accelerators are not there, and lint and types are not run with them."""

DECLARED = re.compile(r"(?P<name>[A-Za-z0-9._-]+)>=(?P<version>[0-9][0-9.]*)")


def lowest_versions(content: bytes) -> list[str]:
    """Constraints from the text of a pyproject.toml. ValueError for a dependency without a plain lowest version."""
    project = tomllib.loads(content.decode())["project"]
    declared = [
        *project["dependencies"],
        *(each for e in EXTRAS for each in project["optional-dependencies"][e]),
    ]
    found: dict[str, str] = {}
    for text in declared:
        match = DECLARED.fullmatch(text)
        if match is None:
            raise ValueError(
                f"dependency {text!r}: write 'name>=version', so that its lowest version can be tested"
            )
        name, version = match["name"], match["version"]
        if found.setdefault(name, version) != version:
            raise ValueError(f"dependency {name}: lowest versions {found[name]} and {version} disagree")
    return [f"{name}=={version}" for name, version in found.items()]


if __name__ == "__main__":
    sys.stdout.write("\n".join(lowest_versions(Path("pyproject.toml").read_bytes())) + "\n")
