"""Advice from end to end: it mends what is lost, is borne out by rehearsals, and says why where it can't."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scatterproof.advise.advise import STAND, advise, advising
from scatterproof.advise.candidates import (
    FREE,
    KEEPOUT,
    WHY_NOT,
    ground_of,
    pattern_stand,
    stand_candidates,
    with_height,
    with_things,
)
from scatterproof.advise.fewer import fewer
from scatterproof.advise.gain import gains
from scatterproof.advise.heat import heat_map
from scatterproof.plan.model import Keepout
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.problems import BadInput
from scatterproof.readiness.rehearse import rehearse
from scatterproof.readiness.verdict import FIRM, LOST
from scatterproof.stage import polygons


@cache
def plan_of(name):
    return parse_plan(example(name)).plan


@cache
def advised():
    return advise(plan_of("lantern-yard"), ["LY020"], 2)


def test_the_shot_that_is_lost_on_a_wall_becomes_firm_by_two_stands_at_most():
    a = advised()
    assert (a.shots[0].before.state == LOST).all()
    assert a.firm
    assert 1 <= len(a.changes) <= 2
    assert all(change.kind == STAND for change in a.changes)
    assert sum(change.frames for change in a.changes) > 0
    again = next(rehearse(a.plan, ["LY020"]))
    assert (again.readiness.state == FIRM).all()
    assert a.shots[0].confirmed.linear
    assert np.nanmax(a.shots[0].confirmed.drift_95_px) <= again.criteria.drift[0]


def test_nothing_but_the_advice_changes_in_the_plan():
    a, plan = advised(), plan_of("lantern-yard")
    assert replace(a.plan, stands=plan.stands) == plan
    assert a.plan.stands[: len(plan.stands)] == plan.stands


def test_advised_stands_keep_clear_of_everything():
    a = advised()
    outlines = [np.array(k.outline) for k in a.plan.keepouts if k.surface == "floor"]
    for change in a.changes:
        at = np.array([change.thing.at])
        assert not any(polygons.contains(outline, at)[0] for outline in outlines)
        path = next(rehearse(a.plan, ["LY020"])).track.centre_m[:, :2]
        assert np.linalg.norm(path - at, axis=1).min() > 0.8


def test_what_candidates_are_said_to_give_a_rehearsal_with_them_gives():
    plan = plan_of("lantern-yard")
    r = next(rehearse(plan, ["LY020"]))
    ground = ground_of(plan, r.layout, places=400)
    candidates = stand_candidates(plan, ground, pattern_stand(plan))
    found = gains(r, candidates)
    best = np.argsort(-found.information)[[0, 1, 2, 5, 60]]
    for i in best:
        then = next(rehearse(with_things(plan, candidates, [i]), ["LY020"])).readiness
        assert np.array_equal(found.value["features"][i], then.features[found.rows])
        assert (then.state[found.rows][found.mended[i]] == FIRM).all()  # never promised too much
        for name in ("drift", "jitter"):
            real, said = getattr(then, f"{name}_px")[found.rows], found.value[name][i]
            # The key frames' slide is no exact drift (a local line is not fitted): off by 1.32 in the median, measured.
            assert np.median(np.abs(np.log(said / real))) < np.log(1.5), name
        real, said = then.out_of_plane_sigma[found.rows], found.value["out_of_plane"][i]
        limit = r.criteria.out_of_plane[0]
        assert np.array_equal(said >= limit, real >= limit)  # key frames pair with key frames only; verdicts agree
        assert np.median(np.abs(np.log((said + 1) / (real + 1)))) < np.log(1.25)


def test_the_map_shows_where_no_stand_may_be():
    plan = plan_of("lantern-yard")
    heat = heat_map(plan, "LY020", places=500)
    assert set(np.unique(heat.why)) <= set(range(len(WHY_NOT)))
    taken = heat.why != FREE
    assert np.isnan(heat.help[taken]).all()
    assert np.isfinite(heat.help[~taken]).all()
    assert heat.help[~taken].max() == pytest.approx(1.0)
    lane = np.array(next(k for k in plan.keepouts if k.name == "fire lane").outline)
    assert (heat.why[polygons.contains(lane, heat.place_m[:, :2])] != FREE).all()
    best = heat.place_m[~taken][np.argmax(heat.help[~taken])]
    assert np.linalg.norm(best[:2] - [-2.8, 4.2]) < 1.5  # between the camera and the wall of that shot
    with pytest.raises(BadInput):
        heat_map(plan, "no such shot")


def test_several_shots_are_served_by_one_layout():
    plan = plan_of("lantern-yard")
    bare = replace(plan, stands=())
    a = advise(bare, ["LY020", "LY030"], 4)
    assert [(s.before.state == LOST).all() for s in a.shots] == [True, True]
    assert a.firm
    mended = {shot for change in a.changes for shot in change.mends}
    assert mended == {"LY020", "LY030"}
    assert len(a.plan.stands) <= 4


def test_a_budget_of_nothing_changes_nothing_and_says_what_would_be_needed():
    a = advise(plan_of("lantern-yard"), ["LY020"], 0)
    assert a.plan == a.before
    assert not a.changes
    assert not a.firm
    assert any("budget of 0" in note and "would make them firm" in note for note in a.notes)
    assert a.shots[0].fallbacks


def test_where_no_stand_may_be_it_says_why():
    plan = plan_of("lantern-yard")
    whole = [(-6.0, -4.0), (6.0, -4.0), (6.0, 6.0), (-6.0, 6.0)]
    walls = tuple(group for group in plan.markers if group.name == "wall scatter")
    lane = Keepout(name="all of it", surface="floor", outline=tuple(whole))
    closed = replace(plan, keepouts=(lane,), markers=walls, stands=())
    ground = ground_of(closed, next(rehearse(closed, ["LY020"])).layout)
    assert (ground.why == KEEPOUT).mean() > 0.5
    a = advise(closed, ["LY020"], 2)
    assert not a.firm
    assert any("in a keep-out" in note for note in a.notes)


def test_a_nodal_move_is_told_what_it_is():
    a = advise(plan_of("lantern-yard"), ["LY040"])
    assert a.firm
    assert not a.changes
    assert any("turns without travelling" in note for note in a.notes)


def test_a_blurred_run_gets_another_exposure():
    a = advise(plan_of("moonrise-basin"), ["MB030"], 1)
    exposure = [change for change in a.changes if change.kind == "exposure"]
    assert len(exposure) == 1
    shot = a.shots[0]
    assert (shot.after.state == FIRM).sum() > 0.8 * len(shot.after.state)
    new = next(s for s in a.plan.shots if s.name == "MB030")
    assert new.exposure < 1 / 200
    assert new.light > 1


def test_work_can_be_given_up_at_every_step():
    steps = advising(plan_of("lantern-yard"), ["LY020"], 1)
    assert next(steps).total == 1
    steps.close()

    class Enough(Exception):
        pass

    def stop(step):
        raise Enough

    with pytest.raises(Enough):
        advise(plan_of("lantern-yard"), ["LY020"], 1, tell=stop)
    with pytest.raises(BadInput):
        advise(plan_of("lantern-yard"), ["nobody"])


def test_a_lower_stand_keeps_its_bands_apart():
    stand = pattern_stand(plan_of("lantern-yard"))
    lower = with_height(stand, 1.6)
    assert lower.height == 1.6
    assert max(lower.bands) < 1.6
    assert np.allclose(np.diff(lower.bands), 0.4)
    assert lower.band_width == stand.band_width


def test_fewer_markers_keep_every_frame():
    plan = plan_of("clockwork-attic")
    found = fewer(plan, ["CA040"])
    assert found.confirmed
    assert len(found.idle) + len(found.removable) > 0
    assert (np.diff(found.left) < 0).all()
    assert found.left[-1] == len(found.markers) - len(found.idle) - len(found.removable)
    assert (np.diff(found.left_load_px) <= 1e-9).all()
    before = next(rehearse(plan, ["CA040"]))
    seen = np.unique(before.layout.features.owner[before.sightings.seen.any(axis=0)])
    assert not {before.layout.owner_names[i] for i in seen} & set(found.idle)
