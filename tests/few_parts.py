"""A small table of parts, from which tests size quickly. All values and costs invented."""

from __future__ import annotations

import tempfile
from functools import lru_cache
from pathlib import Path

from margin.design.sizing import PartTable, read_parts

FEW_PARTS = """
[reference]
values = ["0.6 V", "1.2 V"]
[[reference.grade]]
tolerance = "0.5 %"
tempco = "50 ppm/K"
cost = 30
[resistor]
range = ["1 kohm", "1 Mohm"]
[[resistor.grade]]
tolerance = "1 %"
tempco = "100 ppm/K"
series = "E6"
cost = 1
[[resistor.grade]]
tolerance = "0.1 %"
tempco = "25 ppm/K"
series = "E6"
cost = 5
[capacitor]
range = ["1 nF", "1 uF"]
series = "E3"
tolerance = "10 %"
cost = 1
[ratio]
values = [0.1, 0.5, 1.0]
[amplifier]
cost = 40
[instrumentation_amplifier]
cost = 150
"""


@lru_cache
def few_parts() -> PartTable:
    """The table, read."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "parts.toml"
        file.write_text(FEW_PARTS, encoding="utf-8")
        return read_parts(file)
