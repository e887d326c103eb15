"""The example plans' shots, their simulated takes, and what the two come to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scatterproof.plan.criteria import FRAME_TO_FRAME, REFERENCE
from scatterproof.plan.model import Criteria, Plan
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.prove.predict import predict
from scatterproof.prove.proof import Proof
from scatterproof.prove.takes import Take, Takes, solve_take
from scatterproof.readiness.rehearse import Rehearsal, rehearse
from scatterproof.readiness.verdict import FIRM, LOST
from scatterproof.sources import DRIFT, JITTER

PLANS = ("lantern-yard", "clockwork-attic", "moonrise-basin")
ERRORS = {"white": REFERENCE, "walking": FRAME_TO_FRAME}


@dataclass(frozen=True, eq=False)
class Row:
    """One shot with one kind of track errors, and its takes so far."""

    errors: str
    rehearsal: Rehearsal
    proof: Proof  # without takes
    takes: list[Take]

    def solve(self, seeds) -> None:
        """More takes, solved from nothing, with the usual 2 % of blunders and breaks."""
        self.takes.extend(solve_take(self.rehearsal.network, seed) for seed in seeds)

    @property
    def proven(self) -> Proof:
        """Prediction and takes side by side."""
        return replace(self.proof, takes=Takes.of(self.takes))

    @property
    def state(self) -> str:
        """The shot by its worst frame; mixed where only some frames are lost."""
        state = self.rehearsal.readiness.state
        return "firm" if (state == FIRM).all() else "lost" if (state == LOST).all() else "mixed"

    @property
    def beyond(self) -> bool:
        """Whether some frame of the takes exceeds the limits of a thin frame."""
        takes = self.proven.takes
        worst = [np.nanmax(v, initial=0) for v in (takes.drift_95_px, takes.jitter_95_px)]
        return worst[0] > DRIFT.thin or worst[1] > JITTER.thin


def matched(plan: Plan, matching: str) -> Plan:
    """The plan with one matching style for all its shots."""
    shots = tuple(replace(s, criteria=replace(s.criteria or Criteria(), matching=matching)) for s in plan.shots)
    return replace(plan, shots=shots)


def rows(errors: str, plans=PLANS, shots=()) -> Iterator[Row]:
    """Every shot of the plans, without takes."""
    for name in plans:
        plan = matched(parse_plan(example(name)).plan, ERRORS[errors])
        wanted = [shot.name for shot in plan.shots if not shots or shot.name in shots]
        for rehearsal in rehearse(plan, wanted) if wanted else ():
            yield Row(errors, rehearsal, Proof(rehearsal.shot.name, predict(rehearsal.network), None, None), [])
