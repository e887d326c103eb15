"""Bare stages and odd shots: an answer each time, in words, and never a traceback."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scatterproof.advise.advise import advise
from scatterproof.advise.critical import critical
from scatterproof.advise.fewer import fewer
from scatterproof.advise.heat import heat_map
from scatterproof.advise.tolerance import tolerance
from scatterproof.plan.model import Move
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.problems import BadInput
from scatterproof.readiness.verdict import LOST, THIN

WHOLE = parse_plan(example("lantern-yard")).plan
PLAN = replace(WHOLE, shots=tuple(shot for shot in WHOLE.shots if shot.name == "LY020"))


def with_shot(**changes):
    return replace(PLAN, shots=(replace(PLAN.shots[0], **changes),))


def held(start, aim, kind="hold", **more):
    return with_shot(keys=(), move=Move(kind=kind, start=start, aim=aim, **more))


ODD = {
    "no markers": replace(PLAN, markers=()),
    "nothing at all": replace(PLAN, markers=(), stands=(), gear=(), blockers=()),
    "no floor": replace(
        PLAN, stage=replace(PLAN.stage, floors=(), coves=()), keepouts=(),
        markers=tuple(g for g in PLAN.markers if not any("floor" in name for name in g.surfaces)),
    ),
    "one frame": with_shot(frames=(1001, 1001)),
    "fewer frames than a track": with_shot(frames=(1001, 1005)),
    "a locked camera": held((0, -4, 1.5), (0, 0, 1.5)),
    "looking away": held((0, -4, 1.5), (0, -40, 1.5)),
    "far away": held((0, -400, 1.5), (0, 0, 1.5), "dolly", distance=0.01),
    "action behind the camera": with_shot(action_point=(0, -60, 0)),
    "blown out": with_shot(exposure=0.5),
}  # fmt: skip


@pytest.mark.parametrize("name", ODD)
@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_odd_plans_get_an_answer(name):
    plan = ODD[name]
    found = advise(plan, (), 2)
    assert found.firm or found.notes
    assert (found.shots[0].after.state <= found.shots[0].before.state).all()
    assert len(heat_map(plan, "LY020", places=100).why) >= 0
    assert isinstance(critical(plan, "LY020"), tuple)
    assert len(tolerance(plan, "LY020", 6).state) == 6
    assert fewer(plan).confirmed


def test_a_bare_stage_gets_markers_and_stands():
    found = advise(ODD["nothing at all"], (), 6)
    assert {change.kind for change in found.changes} == {"marker", "stand"}
    assert (found.shots[0].before.state == LOST).all()
    assert (found.shots[0].after.state <= THIN).all()
    assert not np.isinf(found.shots[0].confirmed.drift_95_px).any()


def test_without_a_floor_it_says_why_no_stand_may_stand():
    found = advise(ODD["no floor"], (), 2)
    assert any("the stage has no floor to stand on" in note for note in found.notes)


def test_a_camera_that_sees_nothing_is_not_said_to_turn():
    found = advise(ODD["no markers"], (), 0)
    assert not any("turns without travelling" in note for note in found.notes)


def test_a_plan_without_shots_is_told():
    with pytest.raises(BadInput, match="without shots"):
        advise(replace(PLAN, shots=()))
