"""The errors of this project, in one place: `except margin.errors.CaseError`, or `MarginError` for any of them.

MarginError          base of all others
InvalidArgument      an argument that a function cannot take: an unknown option, a case in which nothing varies
CauseError           a cause of a diagnosis that cannot be registered
CaseError            a case that cannot be used; `faults` lists each fault with file, key, value, reason and remedy
UnitError            a text that is no unit, or a unit of another dimension
ElementError         a sensor, circuit or interface that cannot be registered, or is unknown
InvalidParameter     a parameter that a distribution cannot have
NotPositiveDefinite  rank correlations that cannot all hold; `nearest` is a valid matrix
NoDensity            the density of a distribution that has none
EvaluationError      a force error that is not a number
FailedEvaluations    a function of one's own under sensitivity analysis that gives no finite output
DependentGroups      dependent factors in different groups
BadDesign            points of a sensitivity analysis that cannot be made
ObservationError     readings of a prototype that cannot be used
RareEventError       a failure probability that cannot be estimated from what was given
SizingError          a table of parts, or a wish, that no design can be sought with
NotComparable        two cases without a common option, or with different requirements or loads
BenchDataError       bench data that cannot be read; `faults` lists each fault with line, column and value
NotMeasurableError   an estimate that the bench data cannot give; the message says what to measure
FileExists           a file that a draft would overwrite
FolderNotOurs        a folder that contains files of someone else, or may not be written
RunFolderError       a folder of kept parts that belongs to another run
UnreadableResults    a file that is no results document, or one of another version
ClusterError         workers that cannot be reached or started
UnlikeWorker         a worker with other versions or another processor
CannotCompile        a case that the compiled kernel cannot compute
NotOnDevice          what an accelerator cannot compute
GpuUnavailable       no accelerator, or no CuPy (a RuntimeError)

All others are ValueError too, so that code which catches that keeps working. They are pickled whole, so that a worker
process can raise them. Each is imported on first use.

>>> import margin
>>> try:
...     margin.load("nowhere.toml")
... except margin.errors.CaseError as error:
...     print(len(error.faults), "fault")
1 fault
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from distributions.dependence import NotPositiveDefinite
    from distributions.distribution import NoDensity
    from distributions.errors import InvalidArgument, MarginError
    from distributions.validity import InvalidParameter
    from margin.backends.cluster.payload import UnlikeWorker
    from margin.backends.cluster.workers import ClusterError
    from margin.backends.compiled.choose import CannotCompile
    from margin.backends.device.device_array import NotOnDevice
    from margin.backends.device.space import GpuUnavailable
    from margin.bench.errors import BenchDataError, NotMeasurableError
    from margin.case.faults import CaseError
    from margin.case.units import UnitError
    from margin.chain.registry import ElementError
    from margin.design.sizing.part_table import SizingError
    from margin.diagnosis.catalogue import CauseError
    from margin.diagnosis.plan import ObservationError
    from margin.drafted_case import FileExists
    from margin.estimates.compare import NotComparable
    from margin.estimates.rare.limit import RareEventError
    from margin.estimates.sensitivity.evaluations import FailedEvaluations
    from margin.estimates.sensitivity.grouping import DependentGroups
    from margin.estimates.sensitivity.scrambled_points import BadDesign
    from margin.propagation.store import RunFolderError
    from margin.propagation.tally import EvaluationError
    from margin.report.document import UnreadableResults
    from margin.report.folder import FolderNotOurs

_HOME = {
    "BadDesign": "margin.estimates.sensitivity.scrambled_points",
    "BenchDataError": "margin.bench.errors",
    "CannotCompile": "margin.backends.compiled.choose",
    "CauseError": "margin.diagnosis.catalogue",
    "CaseError": "margin.case.faults",
    "ClusterError": "margin.backends.cluster.workers",
    "DependentGroups": "margin.estimates.sensitivity.grouping",
    "ElementError": "margin.chain.registry",
    "EvaluationError": "margin.propagation.tally",
    "FailedEvaluations": "margin.estimates.sensitivity.evaluations",
    "FileExists": "margin.drafted_case",
    "FolderNotOurs": "margin.report.folder",
    "GpuUnavailable": "margin.backends.device.space",
    "InvalidArgument": "distributions.errors",
    "InvalidParameter": "distributions.validity",
    "MarginError": "distributions.errors",
    "NoDensity": "distributions.distribution",
    "NotComparable": "margin.estimates.compare",
    "NotMeasurableError": "margin.bench.errors",
    "NotOnDevice": "margin.backends.device.device_array",
    "NotPositiveDefinite": "distributions.dependence",
    "ObservationError": "margin.diagnosis.observation",
    "RareEventError": "margin.estimates.rare.limit",
    "RunFolderError": "margin.propagation.store",
    "SizingError": "margin.design.sizing.part_table",
    "UnitError": "margin.case.units",
    "UnlikeWorker": "margin.backends.cluster.payload",
    "UnreadableResults": "margin.report.document",
}

__all__ = [
    "BadDesign", "BenchDataError", "CannotCompile", "CaseError", "CauseError", "ClusterError", "DependentGroups",
    "ElementError", "EvaluationError", "FailedEvaluations", "FileExists", "FolderNotOurs", "GpuUnavailable",
    "InvalidArgument", "InvalidParameter", "MarginError", "NoDensity", "NotComparable", "NotMeasurableError",
    "NotOnDevice", "NotPositiveDefinite", "ObservationError", "RareEventError", "RunFolderError", "SizingError",
    "UnitError", "UnlikeWorker", "UnreadableResults",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    """Import on first use: catching a fault of a case does not load clusters and accelerators."""
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    raise AttributeError(f"module 'margin.errors' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted((*__all__, *(name for name in globals() if name.startswith("__"))))
