"""Figures that a characterisation carries: each method draws a new matplotlib figure in the style of the report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from distributions.errors import InvalidArgument
from margin.estimates.bench_findings import Findings, Setup
from margin.estimates.bench_tables import components_frame, models_of
from margin.estimates.next_measurement import NextMeasurement
from margin.report import bench_figures
from margin.report.shown import Shown, drawn, require_known

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, repr=False)
class BenchFigures(Shown):
    """Figures of a bench, of one circuit and one interface each; left out, the first that the data hold.

    InvalidArgument for a circuit, interface or quantity that the data do not hold, and where they cannot give what is
    to be drawn. A figure belongs to no window (see `margin.report.drawing.Drawing`): name it last in a notebook cell,
    or `savefig` it.

    outlook         from the first setup; None where there is nothing to look ahead from (`missing` says why)
    reference_load  N, as asked for
    circuits        elements that read the bench, by name, where voltages were turned into conductances
    """

    findings: Findings
    outlook: NextMeasurement | None
    reference_load: float | None = None
    circuits: Mapping[str, Any] = field(default_factory=dict)

    def output_over_load(self, circuit: str | None = None, interface: str | None = None) -> Figure:
        """Mean output over load (N), ascending and descending, a panel a sensor (the first twelve)."""
        setup = self._setup(circuit, interface)
        if not any(sensor.sweeps.cycles for sensor in setup.sensors):
            raise InvalidArgument(f"{setup.name}: no load cycles to draw")
        return drawn(lambda: bench_figures.loops(setup, self.findings.data.unit))

    def hysteresis_over_load(self, circuit: str | None = None, interface: str | None = None) -> Figure:
        """Descending less ascending output (% of full-scale output) over load (N): a line a sensor, and their mean."""
        setup = self._setup(circuit, interface)
        if setup.pooled["hysteresis"].value is None:
            raise InvalidArgument(f"{setup.name}: no hysteresis to draw: {setup.pooled['hysteresis'].note}")
        return drawn(lambda: bench_figures.loop_widths(setup))

    def residuals_over_load(self, circuit: str | None = None, interface: str | None = None) -> Figure:
        """Mean residual of each candidate model (% of output for a thin film) over load (N), the best model first."""
        setup = self._setup(circuit, interface)
        if models_of(setup).empty:
            raise InvalidArgument(f"{setup.name}: no candidate model could be fitted")
        return drawn(lambda: bench_figures.residuals(setup))

    def spread_by_level(self, circuit: str | None = None, interface: str | None = None) -> Figure:
        """Standard deviation of each parameter by level of variation (sensitivity in %), with intervals."""
        setup = self._setup(circuit, interface)
        if components_frame([setup]).empty:
            raise InvalidArgument(f"{setup.name}: no spread is available from these data; see `missing`")
        return drawn(lambda: bench_figures.components(setup))

    def drift_over_time(
        self, circuit: str | None = None, interface: str | None = None, *, t0: float = 10.0
    ) -> Figure:
        """Change of the output under constant load (%) over log time (s), against its value at `t0` (s)."""
        setup = self._setup(circuit, interface)
        if not any(sensor.holds for sensor in setup.sensors):
            raise InvalidArgument(f"{setup.name}: no hold under constant load to draw")
        if not t0 > 0.0:
            raise InvalidArgument(f"t0 must be above 0 s (got {t0:g})")
        return drawn(lambda: bench_figures.creep(setup, t0))

    def interval_over_sensors(self) -> Figure:
        """Interval (%) of the quantity that decides over the number of sensors, if the same spreads came out."""
        outlook = self._outlook()
        rows = outlook.of(outlook.decides)
        if not rows.loc[rows["measure"] == "now", "width"].notna().any():
            raise InvalidArgument(f"the {outlook.decides} has no interval to look ahead from")
        return drawn(lambda: bench_figures.outlook_interval(outlook))

    def interval_over_readings(self, quantity: str | None = None) -> Figure:
        """Width of the interval of a quantity (% of the present one) over the readings to take, a line a measurement.

        quantity  of the outlook's table; None: the one that decides
        """
        outlook = self._outlook()
        name = outlook.decides if quantity is None else quantity
        require_known("quantity", name, outlook.table["quantity"])
        rows = outlook.of(name)
        if not rows.loc[rows["measure"] == "now", "width"].gt(0).any():
            raise InvalidArgument(f"the {name} has no interval to look ahead from")
        return drawn(lambda: bench_figures.outlook_effort(outlook, name))

    def _setup(self, circuit: str | None, interface: str | None) -> Setup:
        found = list(self.findings.setups)
        if circuit is not None:
            require_known("circuit", circuit, (one.circuit for one in found))
            found = [one for one in found if one.circuit == circuit]
        if interface is not None:
            require_known("interface", interface, (one.interface for one in found))
            found = [one for one in found if one.interface == interface]
        return found[0]

    def _outlook(self) -> NextMeasurement:
        if self.outlook is None:
            raise InvalidArgument("nothing to look ahead from; see `missing`")
        return self.outlook
