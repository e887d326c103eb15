"""Density that follows need: more where the shots look, fewer where a performer's edge passes."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from scatterproof.plan.model import Blocker, Camera, MarkerSet, Move, Paint, Plan, Shot, Stage, Wall
from scatterproof.sightings.need import need_of, planned_layout
from scatterproof.stage.surfaces import build_surfaces

GROUP = MarkerSet(name="marks", surfaces=("wall",), count=120, size=(0.08, 0.08), need=1.0)
PLAN = Plan(
    name="need",
    paints=tuple(Paint(name=n, srgb=(60, 140, 70)) for n in ("screen", "marker", "band")),
    stage=Stage(walls=(Wall(name="wall", start=(-8, 6), end=(8, 6), height=5),)),
    markers=(GROUP,),
    cameras=(
        Camera(
            name="camera", film_back=(24.892, 18.669), resolution=(1920, 800), delivery_aspect=2.39, focal_length=35.0
        ),
    ),
    shots=(
        Shot(name="hold", camera="camera", frames=(1, 10), move=Move(start=(-3, -2, 1.7), aim=(-3, 6, 2.0))),
    ),
)  # fmt: skip


def share_in_view(plan):
    """The share of markers left of x = 0.5: the shot looks at x from about -5.9 to -0.1."""
    u = planned_layout(plan).markers.centre_m[:, 0]
    return np.mean((u > -6) & (u < 0))


def test_more_markers_stand_where_the_shot_looks():
    even = replace(PLAN, markers=(replace(GROUP, need=0.0),))
    assert share_in_view(even) < 0.5
    assert share_in_view(PLAN) > share_in_view(even) + 0.2


def test_need_is_one_in_view_and_nothing_outside_or_behind_a_performer():
    wall = build_surfaces(PLAN.stage)[0]
    uv = np.array([[5.0, 2.0], [15.0, 2.0], [4.0, 2.2]])  # in view, outside, in view
    assert need_of(PLAN, Path())(wall, uv).tolist() == [1.0, 0.0, 1.0]
    still = Blocker(name="performer", at=(-3, 2, 0), size=(0.6, 0.6, 2.5))
    hidden = need_of(replace(PLAN, blockers=(still,)), Path())(wall, np.array([[5.0, 1.7], [3.0, 1.7]]))
    assert hidden.tolist() == [0.0, 1.0]
    edge = need_of(replace(PLAN, blockers=(still,)), Path())(wall, np.array([[5.0 + 0.62, 1.7]]))
    assert edge[0] == 0.0  # seen, but its edge would have to be cleaned


def test_a_plan_without_shots_needs_every_place_alike():
    wall = build_surfaces(PLAN.stage)[0]
    assert need_of(replace(PLAN, shots=()), Path())(wall, np.zeros((3, 2))).tolist() == [1, 1, 1]


def test_the_same_plan_gives_the_same_layout():
    a, b = planned_layout(PLAN).markers.centre_m, planned_layout(PLAN).markers.centre_m
    np.testing.assert_array_equal(a, b)
