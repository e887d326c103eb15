"""A glance at one frame against the whole rehearsal."""

import dataclasses

import numpy as np
import pytest
from scatterproof.camera.axes import from_pan_tilt_roll
from scatterproof.camera.lens import project
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.readiness.glance import displaced, glance
from scatterproof.readiness.rehearse import rehearse
from scatterproof.sightings.sighting import SEEN, SHORT
from scatterproof.stage.layout import Features, build_layout, restocked

PLAN = parse_plan(example("lantern-yard"), "lantern-yard").plan


@pytest.fixture(scope="module")
def rehearsed():
    return next(rehearse(PLAN))


@pytest.mark.parametrize("row", [0, 37, -1])
def test_a_glance_sees_what_the_rehearsal_sees(rehearsed, row):
    row %= len(rehearsed.track)
    r = rehearsed
    found = glance(r.layout, r.track, r.occluders, r.looks, r.criteria, row)
    whole = np.where(r.sightings.why[row] == SHORT, SEEN, r.sightings.why[row])  # runs need the other frames
    np.testing.assert_array_equal(found.sightings.why[0], whole)
    np.testing.assert_array_equal(found.sightings.uv_px[0], r.sightings.uv_px[row])
    assert found.state <= r.readiness.state[row]
    again = glance(r.layout, r.track, r.occluders, r.looks, r.criteria, row, known=r.sightings.why[row])
    np.testing.assert_array_equal(again.sightings.why[0], r.sightings.why[row])


def test_a_glance_is_no_better_than_too_few_features(rehearsed):
    r = rehearsed
    sky = from_pan_tilt_roll(np.array([0.0, -3, 1.5]), np.array([0.0, 1.5, 0]))  # at the ceiling: nothing is there
    found = glance(r.layout, displaced(r.track, 5, sky, 35.0), r.occluders, r.looks, r.criteria, 5)
    assert found.reasons[0].code == "features"
    assert found.reasons[0].value == 0
    assert found.state == 2


def test_a_displaced_camera_keeps_the_motion_of_its_frame(rehearsed):
    """Moved sideways with its neighbours: every point's image stands still as much as that of the point moved along."""
    track, shift = rehearsed.track, np.array([0.4, -0.2, 0.1])
    pose = track.world_from_cam[9].copy()
    pose[:3, 3] += shift
    moved = displaced(track, 9, pose, float(track.focal_mm[9]))
    points = np.array([[0.3, 2.0, 1.0], [-1.0, 3.0, 2.0]])
    for row in (8, 9, 10):
        np.testing.assert_allclose(project(points + shift, moved)[0][row], project(points, track)[0][row], atol=1e-9)
    np.testing.assert_array_equal(moved.world_from_cam[:8], track.world_from_cam[:8])
    with pytest.raises(ValueError, match="not rigid"):
        displaced(track, 9, np.diag([2.0, 1, 1, 1]), 35.0)


def test_restocking_moves_stands_and_gear_and_leaves_markers():
    """Building anew may place markers elsewhere (they keep clear of gear); stands and gear are the same as there."""
    layout = build_layout(PLAN)
    first, *others = PLAN.stands
    stands = (dataclasses.replace(first, at=(first.at[0] + 0.5, 0.25), bands=(0.4, 1.1)), *others[1:])
    changed = dataclasses.replace(PLAN, stands=stands, gear=PLAN.gear[:-1])
    anew, again = build_layout(changed), restocked(layout, changed)
    assert again.owner_names == (*layout.markers.name, *(s.name for s in stands), *(g.name for g in changed.gear))
    for name in Features.__slots__:
        old, wanted, found = (getattr(one.features, name) for one in (layout, anew, again))
        tapes = [one.features.owner < len(one.markers.name) for one in (layout, anew, again)]
        np.testing.assert_array_equal(found[tapes[2]], old[tapes[0]])
        shift = len(again.markers.name) - len(anew.markers.name) if name == "owner" else 0
        np.testing.assert_array_equal(found[~tapes[2]], wanted[~tapes[1]] + shift)
