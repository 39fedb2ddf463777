"""Findings of a bench as data: extent, figures of merit, spreads, models, differences, lacks, next measurement."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from margin.bench import Merit
from margin.bench.data.notice import Notice
from margin.bench.data.weights import readings
from margin.estimates.bench_findings import Findings, Setup
from margin.estimates.bench_tables import components_frame, models_of
from margin.estimates.finding import Finding, Number
from margin.estimates.next_measurement import NextMeasurement
from margin.version import version

CAUTIONS = (
    "Figures hold for these sensors, mountings, loads and temperatures, and for nothing outside them.",
    "What is listed as not available was not measured: a case must state it, and then it is assumed.",
    "An interval over sensors takes them as drawn at random from production: hand-picked samples are not.",
)


def statements_of(findings: Findings, outlook: NextMeasurement | None) -> tuple[Finding, ...]:
    """Everything found, in the order in which a reader wants it."""
    return (
        measured(findings),
        *(each for setup in findings.setups for each in of_merits(setup)),
        *(each for setup in findings.setups for each in of_spreads(setup)),
        *map(of_model, findings.setups),
        *of_differences(findings),
        *not_available(findings),
        next_measurement_of(outlook),
        *notes_on_data(findings),
        *(Finding("caution", values={"text": text}) for text in CAUTIONS),
        computed(findings, outlook),
    )


def measured(findings: Findings) -> Finding:
    """How much was measured; readings behind the means of a condensed bench are counted."""
    values = {
        "kind": findings.kind,
        "sensors": int(findings.data.frame.groupby(["lot", "sensor"], observed=True).ngroups),
        "readings": round(float(readings(findings.data.frame).sum())),
        "setups": [{"name": setup.name, **vars(setup.size)} for setup in findings.setups],
    }
    return Finding("bench measured", findings.data.source, values)


def definition_of(setup: Setup, name: str) -> str:
    """What a figure of merit means, for a single sensor."""
    return next(merit.definition for merit in setup.merits if merit.name == name and merit.sensor != "pooled")


def of_merits(setup: Setup) -> Iterator[Finding]:
    """Figures of merit, mean over sensors, that the data give."""
    for merit in setup.pooled.values():
        if merit.value is not None:
            values = {
                "setup": setup.name,
                "mean": _number(merit),
                "definition": definition_of(setup, merit.name),
                "sensors": merit.count,
            }
            yield Finding("figure of merit", merit.name, values)


def _number(merit: Merit) -> Number:
    return Number(float(merit.value or 0.0), merit.low, merit.high, merit.unit)


def of_spreads(setup: Setup) -> Iterator[Finding]:
    """Standard deviation of each parameter at each level of variation that was measured."""
    table = components_frame([setup])
    for row in table.to_dict("records"):
        if pd.isna(row["sd"]):
            continue
        low, high = (None if pd.isna(row[end]) else float(row[end]) for end in ("low", "high"))
        unit = "share" if row["parameter"] == "sensitivity" else ""
        share = None if pd.isna(row["share"]) else Number(float(row["share"]), unit="share")
        values = {
            "setup": setup.name,
            "level": str(row["level"]),
            "standard_deviation": Number(float(row["sd"]), low, high, unit),
            "share": share,
            "units": int(row["units"]),
        }
        yield Finding("spread by level", str(row["parameter"]), values)


def of_model(setup: Setup) -> Finding:
    """Which candidate model the sensors support, and whether it suits."""
    table = models_of(setup)
    if table.empty or pd.isna(table["aicc"].iloc[0]):
        return Finding("no model fits every sensor", setup.name)
    best = table.iloc[0]
    second = None
    if len(table) > 1 and not pd.isna(table["delta"].iloc[1]):
        second = {"model": str(table["model"].iloc[1]), "aicc_above_best": float(table["delta"].iloc[1])}
    untested = best["lack_of_fit"] is None or pd.isna(best["lack_of_fit"])
    values = {
        "model": str(best["model"]),
        "weight": Number(float(best["weight"]), unit="share"),
        "next": second,
        "lack_of_fit": None if untested else int(best["lack_of_fit"]),
        "sensors": int(best["sensors"]),
    }
    return Finding("model supported", setup.name, values)


def of_differences(findings: Findings) -> Iterator[Finding]:
    """Circuits and interfaces side by side: second less first, and whether the data resolve it."""
    for by, comparison in findings.comparisons.items():
        for row in comparison.differences.to_dict("records"):
            ends = (float(row["difference"]), float(row["low"]), float(row["high"]))
            values = {
                "by": by,
                "first": str(row["first"]),
                "second": str(row["second"]),
                "difference": Number(*ends, str(row["unit"])),
                "p_adjusted": Number(float(row["p_adjusted"])),
                "confidence": Number(findings.confidence, unit="share"),
                "test": str(row["test"]),
            }
            kind = "difference of two setups" if row["resolved"] else "no difference of two setups resolved"
            yield Finding(kind, str(row["figure"]), values)


def not_available(findings: Findings) -> Iterator[Finding]:
    """Figures and spreads that the data cannot give; those with one reason and remedy together.

    where  setups; empty for the whole bench
    """
    groups: dict[tuple[str, str], tuple[dict[str, None], dict[str, None]]] = {}
    for each in findings.missing:
        what, where = groups.setdefault((each.why, each.measure), ({}, {}))
        what[each.what] = None
        where[each.where] = None
    everywhere = {f"{setup.circuit}, {setup.interface}" for setup in findings.setups}
    for (why, measure), (what, where) in groups.items():
        whole = everywhere <= set(where) or "" in where
        values = {"what": list(what), "where": [] if whole else list(where), "why": why}
        yield Finding("not available", values=values, action=measure)


def next_measurement_of(outlook: NextMeasurement | None) -> Finding:
    """What to measure next."""
    return Finding("no outlook") if outlook is None else outlook.advice


def notes_on_data(findings: Findings) -> Iterator[Finding]:
    """What was assumed, converted, flagged or left out; `at_once` where the screen shows it too."""
    for text in findings.notes:
        yield Finding("note on the data", values={"text": str(text), "at_once": isinstance(text, Notice)})


def computed(findings: Findings, outlook: NextMeasurement | None) -> Finding:
    """Level of the intervals, draws of the outlook, version."""
    drawn = outlook is not None and outlook.units > 0
    values = {
        "confidence": Number(findings.confidence, unit="share"),
        "units": outlook.units if outlook is not None and drawn else None,
        "seed": outlook.seed if outlook is not None and drawn else None,
        "version": version(),
    }
    return Finding("computed bench", values=values)
