"""What a change of the case would do, without drawing again: stored units and their importance weights."""

from margin.estimates.what_if.estimator import WhatIf as WhatIf
from margin.estimates.what_if.estimator import what_if as what_if
from margin.estimates.what_if.payload import what_if_payload as what_if_payload
