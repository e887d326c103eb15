"""Charts of the unrolled screen: lengths on them are lengths along the screen."""

import math

import numpy as np
import pytest
from kit_plans import kit_plan
from scatterproof.stage.surfaces import area_m2, build_surfaces, to_world
from scatterproof.stage.unroll import area_m2 as chart_area
from scatterproof.stage.unroll import bounds, unroll


@pytest.fixture(scope="module")
def stage():
    plan = kit_plan()
    surfaces = build_surfaces(plan.stage)
    return surfaces, unroll(plan.stage, surfaces)


def path_length(surface, uv):
    world = to_world(surface, uv)
    return float(np.linalg.norm(np.diff(world, axis=0), axis=1).sum())


def test_every_surface_lies_on_one_chart_and_keeps_its_area(stage):
    surfaces, charts = stage
    assert sorted(row for chart in charts for row in chart.rows) == list(range(len(surfaces)))
    assert [surfaces[chart.rows[0]].name for chart in charts] == ["floor", "back wall", "left wall"]
    total = sum(area_m2(surface) for surface in surfaces)
    assert sum(chart_area(chart, surfaces) for chart in charts) == pytest.approx(total, rel=1e-12)


def test_straight_lines_on_a_chart_are_as_long_on_the_screen(stage):
    surfaces, charts = stage
    rng = np.random.default_rng(3)
    for chart in charts:
        for row in chart.rows:
            low, high = surfaces[row].outline_uv.min(axis=0), surfaces[row].outline_uv.max(axis=0)
            for start, end in rng.uniform(low, high, (20, 2, 2)):
                uv = start + np.linspace(0, 1, 4001)[:, None] * (end - start)
                flat = np.linalg.norm(chart.from_surface(row, end) - chart.from_surface(row, start))
                assert path_length(surfaces[row], uv) == pytest.approx(flat, rel=1e-7)


def test_geodesics_of_the_cylinder_in_closed_form(stage):
    # On a cylinder of radius r the shortest way between two points is hypot(r times the angle between, height).
    surfaces, charts = stage
    wall = next(chart for chart in charts if chart.name == "back wall")
    row = next(row for row in wall.rows if surfaces[row].name == "cove")
    cove = surfaces[row]
    one, other = np.array([1.0, 0.2]), np.array([3.5, 1.1])
    world = to_world(cove, np.array([one, other]))
    axis = cove.origin + np.outer((world - cove.origin) @ cove.across, cove.across)
    spoke = (world - axis) / cove.radius_m
    assert np.linalg.norm(spoke, axis=1) == pytest.approx([1, 1])
    angle = math.acos(float(spoke[0] @ spoke[1]))
    along = float((world[1] - world[0]) @ cove.across)
    flat = np.linalg.norm(wall.from_surface(row, other) - wall.from_surface(row, one))
    assert flat == pytest.approx(math.hypot(cove.radius_m * angle, along), abs=1e-9)


def test_the_shortest_way_from_cove_to_wall_is_straight_on_the_chart(stage):
    # Found by search, not by unrolling: where the way crosses the line in which both touch, lengths in space.
    surfaces, charts = stage
    wall = next(chart for chart in charts if chart.name == "back wall")
    row = next(row for row in wall.rows if surfaces[row].name == "cove")
    cove, flat = surfaces[row], surfaces[wall.rows[0]]
    low_point, high_point = np.array([1.2, 0.3]), np.array([5.0, 2.5])  # on the cove; on the wall
    goal = to_world(flat, high_point)
    top = float(cove.outline_uv[:, 1].max())
    u = np.linspace(0.0, 6.0, 6001)
    best = math.inf
    for start in u:
        across = np.array([start, top])
        on_cove = math.hypot(*(across - low_point))
        best = min(best, on_cove + float(np.linalg.norm(to_world(cove, across) - goal)))
    straight = np.linalg.norm(wall.from_surface(wall.rows[0], high_point) - wall.from_surface(row, low_point))
    assert straight == pytest.approx(best, abs=1e-6)


def test_neighbours_share_their_line(stage):
    surfaces, charts = stage
    for chart in charts:
        for row in chart.rows[1:]:
            cove = surfaces[row]
            edges = [np.array([[0.5, v], [1.5, v]]) for v in (0.0, float(cove.outline_uv[:, 1].max()))]
            gaps = [
                np.abs(to_world(surfaces[chart.rows[0]], chart.from_surface(row, uv)) - to_world(cove, uv)).max()
                for uv in edges
            ]
            assert min(gaps) < 1e-9 < max(gaps)
            there = chart.from_surface(row, cove.outline_uv)
            assert chart.to_surface(row, there) == pytest.approx(cove.outline_uv)


def test_the_cove_lies_below_its_wall(stage):
    surfaces, charts = stage
    wall = next(chart for chart in charts if chart.name == "back wall")
    low, high = bounds(wall, surfaces)
    assert high[1] == pytest.approx(4.0)
    assert low[1] == pytest.approx(0.8 - 0.8 * math.pi / 2)  # the quarter circle hangs from the tangent line at 0.8
