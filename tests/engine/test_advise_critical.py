"""What must not be lost: the same as rehearsing without it, nothing overlooked, told in runs of frames."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scatterproof.advise.critical import (
    ALL_STANDS,
    GEAR,
    MARKER,
    STAND,
    STANDS,
    critical,
    critical_in,
    suspects,
    things_in,
    without,
)
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.problems import BadInput
from scatterproof.readiness.rehearse import rehearse, rehearse_shot
from scatterproof.readiness.verdict import FIRM, LOST, THIN
from scatterproof.stage.layout import restocked

PLANS = {"LY": "lantern-yard", "CA": "clockwork-attic", "MB": "moonrise-basin"}


@cache
def rehearsed(name):
    return next(rehearse(parse_plan(example(PLANS[name[:2]])).plan, [name]))


@cache
def found_in(name, single=False):
    return end_of(critical_in(rehearsed(name), single))


def end_of(steps):
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return end.value


def states(name, rows):
    """What the rows together say of each frame: the worst that any of them comes to."""
    shot = rehearsed(name).readiness
    out = shot.state.copy()
    for row in rows:
        inside = (shot.frame >= row.first) & (shot.frame <= row.last)
        assert (shot.state[inside] == row.before).all()
        out[inside] = np.maximum(out[inside], row.after)
    return out


def test_losing_a_stand_is_the_same_as_a_plan_without_it():
    r = rehearsed("CA050")
    rows = [row for row in found_in("CA050") if row.kind == STAND]
    assert rows
    for name in {row.name for row in rows}:
        bare = replace(r.plan, stands=tuple(stand for stand in r.plan.stands if stand.name != name))
        # the layout stays: where a set follows the need of the shots it does not look at stands
        again = end_of(rehearse_shot(bare, restocked(r.layout, bare), r.shot)).readiness.state
        told = states("CA050", [row for row in rows if row.name == name])
        np.testing.assert_array_equal(told > r.readiness.state, again > r.readiness.state)
        worse = again > r.readiness.state
        assert (told[worse] >= again[worse]).all()


@pytest.mark.parametrize("name", ["CA050", "LY030", "LY020"])
def test_nothing_is_overlooked(name):
    r = rehearsed(name)
    things = things_in(r, single=True)
    asked = suspects(r, things)
    for thing, looked_at in zip(things, asked, strict=True):
        if not looked_at:
            assert not (without(r, thing).readiness.state > r.readiness.state).any(), thing.name


@pytest.mark.parametrize("name", ["LY050", "CA040", "CA020"])
def test_stands_gear_and_markers_that_are_passed_over_do_not_matter(name):
    r = rehearsed(name)
    things = things_in(r, single=False)
    asked = suspects(r, things)
    left = np.flatnonzero(~asked)
    assert len(left) > len(things) / 2  # else nothing would be gained by down-dates
    for i in left[:: max(1, len(left) // 12)]:
        assert not (without(r, things[i]).readiness.state > r.readiness.state).any(), things[i].name


def test_what_hangs_together_is_told_together():
    rows = found_in("LY030")
    assert rows[0].kind == STANDS
    # A stand alone lets the roundness of its pole pass for parallax: that is thin at most.
    assert {(row.kind, row.after) for row in rows[1:]} <= {(STAND, THIN)}
    assert rows[0].name == ALL_STANDS
    assert (rows[0].before, rows[0].after) == (FIRM, LOST)
    assert rows[0].text == (
        f"keep one of the stands in frame from {rows[0].first} to {rows[0].last}: without any firm to lost"
    )


def test_runs_are_frames_of_the_shot_and_single_features_are_named():
    r = rehearsed("CA050")
    rows = found_in("CA050", single=True)
    kinds = {row.kind for row in rows}
    assert kinds & {"band", "corner", "point"}
    assert kinds <= {"band", "corner", "point", "disc", STAND, STANDS, MARKER, GEAR}
    first, last = r.shot.frames
    for row in rows:
        assert first <= row.first <= row.last <= last
        assert row.after > row.before
    assert [row.first for row in rows] == sorted(row.first for row in rows)


def test_a_lost_shot_has_nothing_to_lose_and_bad_names_are_told():
    assert found_in("LY020") == ()
    with pytest.raises(BadInput, match="LY999"):
        critical(rehearsed("LY010").plan, "LY999")
