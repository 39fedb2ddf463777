"""The findings of a bench as tidy frames, one row an observation."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from margin.bench import Merit, SensorFit, frame_of
from margin.bench.compare import holm
from margin.estimates.bench_findings import Missing, Setup

LACK_RISK = 0.05
"""A model lacks fit where the chance of such residuals, were it right, lies below this."""


def merits_frame(merits: Iterable[Merit]) -> pd.DataFrame:
    """One row a figure of merit, columns as the fields of `Merit`; NaN where not available."""
    return frame_of(merits).astype(dict.fromkeys(("value", "low", "high"), float))


def missing_frame(missing: Iterable[Missing]) -> pd.DataFrame:
    """One row a lack: what, where, why, measure."""
    return pd.DataFrame([vars(each) for each in missing], columns=["what", "where", "why", "measure"])


def fits_frame(setups: Iterable[Setup]) -> pd.DataFrame:
    """One row a setup, sensor and candidate model.

    circuit, interface, sensor, model, parameters (number), aicc, delta (against the best of the sensor), weight
    (Akaike), residual_sd (relative for a thin film), lack_ratio, lack_p (None without repeated loads), values
    ('name = value +/- standard error')
    """
    rows = []
    for setup in setups:
        for sensor in setup.sensors:
            for fit in sensor.fits:
                rows.append(
                    {
                        "circuit": setup.circuit, "interface": setup.interface, "sensor": sensor.name,
                        "model": fit.model, "parameters": len(fit.curve.names), "aicc": fit.aicc,
                        "delta": fit.aicc - sensor.fits[0].aicc, "weight": fit.weight,
                        "residual_sd": fit.curve.sd, "lack_ratio": None if fit.lack is None else fit.lack.ratio,
                        "lack_p": None if fit.lack is None else fit.lack.p, "values": _values(fit),
                    }
                )  # fmt: skip
    return pd.DataFrame(rows)


def _values(fit: SensorFit) -> str:
    parts = []
    for name, value, error in zip(
        fit.curve.names, fit.curve.parameters, fit.curve.standard_errors, strict=True
    ):
        shown = f" +/- {error:.2g}" if np.isfinite(error) else " (at its limit)"
        parts.append(f"{name} = {value:.4g}{shown}")
    return ", ".join(parts)


def models_of(setup: Setup) -> pd.DataFrame:
    """Candidate models over all sensors of a setup, best first.

    model, parameters, sensors (fitted), aicc (summed: sensors are independent), delta, weight, best_of (sensors
    whose best it is), lack_of_fit (sensors with p below 5 %, Holm-adjusted over them; None without repeated
    loads), residual_sd (root mean square over sensors). Models that not all sensors carry come last, without sum.
    """
    table = fits_frame([setup])
    if table.empty:
        return table
    fitted = table["sensor"].nunique()
    rows = []
    for model, part in table.groupby("model", sort=False):
        chances = part["lack_p"].dropna().to_numpy(dtype=float)
        whole = len(part) == fitted and bool(np.isfinite(part["aicc"]).all())
        rows.append(
            {
                "model": model, "parameters": int(part["parameters"].iloc[0]), "sensors": len(part),
                "aicc": float(part["aicc"].sum()) if whole else np.nan,
                "best_of": int((part["delta"] == 0).sum()),
                "lack_of_fit": int((holm(chances) < LACK_RISK).sum()) if chances.size else None,
                "residual_sd": float(np.sqrt((part["residual_sd"] ** 2).mean())),
            }
        )  # fmt: skip
    found = pd.DataFrame(rows).sort_values("aicc", kind="stable", na_position="last").reset_index(drop=True)
    delta = found["aicc"] - found["aicc"].min()
    support = np.exp(-0.5 * delta).fillna(0.0)
    weight = support / support.sum() if support.sum() > 0 else support
    found.insert(4, "delta", delta)
    found.insert(5, "weight", weight)
    return found


def components_frame(setups: Iterable[Setup]) -> pd.DataFrame:
    """One row a setup, parameter and level: sd with low and high, share, units, dof, note.

    parameter  'sensitivity' (relative), 'exponent' or 'zero'; 'reading' is the relative scatter of readings
    """
    rows = []
    for setup in setups:
        if setup.spreads is None:
            continue
        shown = [
            ("sensitivity" if name == "ln_sensitivity" else name, component)
            for name, found in setup.spreads.components.items()
            for component in found.components
        ]
        shown.append(("sensitivity", setup.spreads.reading))
        for parameter, c in shown:
            rows.append(
                {
                    "circuit": setup.circuit, "interface": setup.interface, "parameter": parameter,
                    "level": c.level, "sd": c.sd, "low": c.low, "high": c.high, "share": c.share,
                    "units": c.units, "dof": c.dof, "note": c.note,
                }
            )  # fmt: skip
    return pd.DataFrame(rows)
