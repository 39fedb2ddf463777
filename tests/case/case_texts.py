"""Pieces of case files from which the tests make good and bad ones. All values are invented."""

from __future__ import annotations

TABLES = {
    "case": 'unstated = "zero"',
    "load": 'range = "2 N to 60 N"',
    "requirement": 'permissible_error = "larger of 6 % of reading and 1 % of span"',
    "sensor": 'kind = "thin film"\nsensitivity = "3.2 uS +/- 12 % (2 sigma)"\nreference_load = "20 N"',
    "circuit": 'kind = "inverting amplifier"\nreference = "1.2 V"\nfeedback = "47 kohm +/- 1 %"',
}
"""A whole case: the tables that every case needs, each with the keys that it needs."""

BRIDGE = (
    'kind = "bridge amplifier"\nreference = "2.5 V"\ninternal_resistor = "50 kohm"\ngain_resistor = "100 ohm"'
)


def case_text(more: str = "", **tables: str | None) -> str:
    """The whole case with other or further tables; None takes a table out. `more` is put at the end.

    What it leaves unstated is zero, whatever else [case] says.
    """
    about = tables.get("case")
    chosen = {**TABLES, **tables, "case": TABLES["case"] if about is None else f"{TABLES['case']}\n{about}"}
    parts = [f"[{name}]\n{body}\n" for name, body in chosen.items() if body is not None]
    return "\n".join([*parts, more])


def line(table: str, text: str) -> str:
    """The body of a needed table with one more line."""
    return f"{TABLES[table]}\n{text}"


def instead(table: str, key: str, text: str) -> str:
    """The body of a needed table in which the line of `key` reads otherwise; an empty text takes it out."""
    lines = [text if each.split(" =")[0] == key else each for each in TABLES[table].split("\n")]
    return "\n".join(each for each in lines if each)
