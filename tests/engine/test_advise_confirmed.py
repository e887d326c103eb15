"""Advice against what it can't see itself: solves of simulated takes, every pair of places, and frames made worse."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scatterproof.advise.advise import advise
from scatterproof.advise.candidates import ACTION, FREE, ground_of, pattern_stand, stand_candidates
from scatterproof.advise.choose import PUBLISHED, choose, covered
from scatterproof.advise.gain import gains
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.prove.takes import Takes, solve_take
from scatterproof.readiness.rehearse import rehearse
from scatterproof.sources import ACTION_CLEAR

PLANS = {"LY": "lantern-yard", "CA": "clockwork-attic", "MB": "moonrise-basin"}
TAKES = 8


@cache
def plan_of(name):
    return parse_plan(example(PLANS[name[:2]])).plan


@cache
def advised(name, budget=None):
    return advise(plan_of(name), [name], budget)


def test_simulated_takes_of_the_wall_shot_can_fail_as_planned_and_are_firm_as_advised():
    planned = next(rehearse(plan_of("LY020"), ["LY020"]))
    before = [solve_take(planned.network, seed) for seed in range(1, TAKES + 1)]
    r = next(rehearse(advised("LY020", 2).plan, ["LY020"]))
    after = Takes.of([solve_take(r.network, seed) for seed in range(1, TAKES + 1)])
    assert after.solved == TAKES
    assert np.nanmax(after.drift_95_px) <= r.criteria.drift[0]
    assert np.nanmax(after.jitter_95_px) <= r.criteria.jitter[0]
    ratio = np.nanmedian(after.drift_px / (np.sqrt(np.trace(r.prediction.slide.drift_px2, axis1=1, axis2=2))))
    print(f"simulated over predicted drift, {TAKES} takes of the advised plan: {ratio:.2f}")
    assert 0.5 < ratio < 2
    # as planned many come through; that none can be relied on is what the verdict says
    bad = [not take.solved or np.nanmax(np.hypot(*take.drift_px.T)) > r.criteria.drift[0] for take in before]
    print(f"as planned {sum(bad)} of {TAKES} takes fail or drift beyond the limit")
    assert sum(bad) >= 1


@pytest.mark.parametrize("name", ["MB030", "CA050"])
def test_advice_never_makes_a_frame_worse_and_every_change_mends(name):
    found = advised(name)
    (shot,) = found.shots
    assert (shot.after.state <= shot.before.state).all()
    assert (shot.after.state < shot.before.state).any()
    assert all(change.frames > 0 for change in found.changes)
    assert found.firm or (found.notes and shot.fallbacks)


@pytest.mark.parametrize("name", ["LY020", "LY030"])
def test_greedy_reaches_what_the_best_pair_of_places_reaches(name):
    """Every pair of 30 places, by the worth that the choice goes by."""
    plan = replace(plan_of(name), stands=())
    r = next(rehearse(plan, [name]))
    candidates = stand_candidates(plan, ground_of(plan, r.layout, places=900), pattern_stand(plan_of(name)))
    found = gains(r, candidates)
    alone = np.einsum("skc,kc->s", found.progress, found.weight)
    asked = np.argsort(-alone, kind="stable")[:30]
    worth = covered([found.progress[asked]], [found.weight], np.zeros(len(asked)))
    best = max(worth(pair) for pair in itertools.combinations(range(len(asked)), 2))
    greedy = choose(worth, len(asked), 2)
    reached = greedy.worth[-1] / best if best else 1.0
    print(f"{name}: two greedy stands reach {reached:.3f} of the best pair; at least {greedy.share:.3f} by the bound")
    assert best > 0
    assert reached >= PUBLISHED
    assert greedy.share <= reached + 1e-12


def test_no_stand_stands_where_an_insert_will():
    plan = plan_of("LY020")
    layout = next(rehearse(plan, ["LY020"])).layout
    ground = ground_of(plan, layout)
    free = ground.place_m[ground.why == FREE, :2]
    for shot in plan.shots:
        away = np.linalg.norm(free - np.array(shot.action_point)[:2], axis=1)
        assert away.min() >= ACTION_CLEAR.value
    assert (ground.why == ACTION).any()
    for change in advised("LY020", 2).changes:
        at = np.array(change.thing.at)
        assert all(np.linalg.norm(at - shot.action_point[:2]) >= ACTION_CLEAR.value - 0.01 for shot in plan.shots)
