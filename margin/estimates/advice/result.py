"""What to do next about a design that does not conform, as data: actions that were tried, and how far they carry."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from margin.estimates.yield_result import Estimate, Verdict

ActionKind = Literal[
    "gain", "pedestal", "calibration", "design curve", "part grade", "centring", "station", "sensors", "measurement",
]  # fmt: skip


@dataclass(frozen=True)
class Action:
    """A change of a case that an engineer can make.

    kind      of action
    subject   what it is made to: a key of the case ('circuit.feedback'), a factor, a calibration option
    becomes   the value or grade afterwards, or what is done, in words of the case
    changes   keys and values for `margin.change`, where the action is a change of the file; empty otherwise
    """

    kind: ActionKind
    subject: str
    becomes: str
    changes: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Trial:
    """An action as the engine evaluated it, against the design as it is on the same draws.

    option   calibration option whose yield it is
    reached  decisive yield with the action; bound: its lower bound; verdict: of that bound
    change   of the decisive yield, with the interval of the paired difference
    """

    action: Action
    option: str
    reached: Estimate
    bound: Estimate
    verdict: Verdict
    change: Estimate

    @property
    def resolved(self) -> bool:
        """Whether the yield certainly rises."""
        return self.change.low > 0.0


@dataclass(frozen=True)
class Advice:
    """What would help a design that does not conform.

    option    calibration option that the trials start from
    before    its lower bound in the trials, whose units are fewer than those of the study; with the circuit off its
              limits where that was possible
    mending   the action that takes the circuit out of saturation, tried before all others and part of them; None
              where nothing saturates, or where no gain and no pedestal was found against it
    saturated whether readings are at a limit of circuit or converter
    trials    of single actions, the largest gain in yield first
    together  all resolved actions at once; None where there are fewer than two
    limiting  cause that leads the error once all of them are taken, where the design still does not conform
    multiple  of the permissible error that the option would pass as it is, where no action suffices; None where one
              does or the search found none
    multiple_together  the same with all resolved actions
    units     drawn in each trial
    helpful   where no action moves the yield, since it is nothing or all but nothing: actions that raise it at a wider
              limit, which half of the units keep, the largest gain first
    """

    option: str
    before: Estimate
    saturated: bool
    mending: Trial | None
    trials: tuple[Trial, ...]
    together: Trial | None
    limiting: str | None
    multiple: float | None
    multiple_together: float | None
    units: int
    helpful: tuple[Action, ...] = ()

    @property
    def sufficient(self) -> tuple[Trial, ...]:
        """Single actions with which the design conforms, the largest gain first."""
        return tuple(trial for trial in self.trials if trial.verdict == "conforms")
