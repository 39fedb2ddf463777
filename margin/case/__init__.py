"""The case: a file that an engineer writes, read into SI numbers, distributions and levels.

load_case, read_case    from a file or text to a `Case`; CaseError reports all faults at once
with_changes            the same case with other values
nominal_elements        the chain as designed
schema_json             JSON Schema of the file, from which editors complete
"""

from margin.case.build import nominal_elements
from margin.case.changes import with_changes
from margin.case.faults import CaseError, Fault
from margin.case.load import load_case, read_case
from margin.case.schema import schema_json
from margin.case.types import Case

__all__ = [
    "Case",
    "CaseError",
    "Fault",
    "load_case",
    "nominal_elements",
    "read_case",
    "schema_json",
    "with_changes",
]
