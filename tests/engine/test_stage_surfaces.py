import math
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scatterproof.plan.model import Cove, Floor, Panel, Stage, Wall
from scatterproof.problems import BadInput
from scatterproof.stage import polygons
from scatterproof.stage.surfaces import area_m2, build_surfaces, corner_patches, mesh, normal_at, to_surface, to_world

# Lopsided on purpose: nothing is centred, no two lengths are equal.
BACK = Wall(name="back", start=(-4.0, 5.0), end=(3.5, 5.0), height=4.2)
LEFT = Wall(name="left", start=(-4.0, -1.5), end=(-4.0, 5.0), height=3.1)
FLOOR = Floor(name="floor", x=(-4.0, 3.5), y=(-6.0, 5.0), z=0.2)
FLOOR_BACK = Cove(name="floor to back", between=("floor", "back"), radius=0.9)
FLOOR_LEFT = Cove(name="floor to left", between=("floor", "left"), radius=0.9)
LEFT_BACK = Cove(name="left to back", between=("left", "back"), radius=0.9)

BACK_ONLY = Stage(floors=(FLOOR,), walls=(replace(BACK, base=0.2),), coves=(FLOOR_BACK,))
CORNER = Stage(
    floors=(FLOOR,),
    walls=(replace(BACK, base=0.2), replace(LEFT, base=0.2)),
    coves=(FLOOR_BACK, FLOOR_LEFT, LEFT_BACK),
)


def named(stage):
    return {surface.name: surface for surface in build_surfaces(stage)}


def box(surface):
    return [surface.outline_uv.min(axis=0).tolist(), surface.outline_uv.max(axis=0).tolist()]


def test_flat_axes_and_the_stage_side():
    floor, back, left = build_surfaces(replace(CORNER, coves=()))
    np.testing.assert_allclose(floor.normal, [0, 0, 1])
    np.testing.assert_allclose(to_world(floor, [1.25, -2.5]), [1.25, -2.5, 0.2])
    np.testing.assert_allclose(back.normal, [0, -1, 0], atol=1e-15)
    np.testing.assert_allclose(to_world(back, [1.0, 2.0]), [-3, 5, 2.2])
    np.testing.assert_allclose(left.normal, [1, 0, 0], atol=1e-15)
    np.testing.assert_allclose(to_world(left, [1.0, 2.0]), [-4, -0.5, 2.2])


def test_a_wall_leans_away_and_keeps_its_length():
    (wall,) = build_surfaces(Stage(walls=(Wall(name="w", start=(1, 2), end=(4, 6), height=3.0, lean=0.3),)))
    top = to_world(wall, [0.0, 3.0])
    away = np.array([-0.8, 0.6, 0.0])  # left of the way from start to end
    np.testing.assert_allclose(top, np.array([1, 2, 3 * math.cos(0.3)]) + 3 * math.sin(0.3) * away)
    assert wall.normal @ away < 0 < wall.normal[2]


def test_a_panel_takes_its_own_axes():
    panel = Panel(name="p", corner=(1, 2, 3), across=(0, 2, 0), up=(-0.9, 0, 1.2))
    (surface,) = build_surfaces(Stage(panels=(panel,), paint="green"))
    np.testing.assert_allclose(to_world(surface, [2.0, 1.5]), [0.1, 4, 4.2])
    np.testing.assert_allclose(surface.normal, [0.8, 0, 0.6])
    assert area_m2(surface) == pytest.approx(3.0)
    assert surface.paint == "green"


def test_a_cove_trims_at_its_tangent_lines():
    stage = named(BACK_ONLY)
    cove = stage["floor to back"]
    assert list(stage) == ["floor", "back", "floor to back"]
    np.testing.assert_allclose(box(stage["floor"]), [[-4, -6], [3.5, 4.1]])
    np.testing.assert_allclose(box(stage["back"]), [[0, 0.9], [7.5, 4.2]])
    np.testing.assert_allclose(box(cove), [[0, 0], [7.5, 0.9 * math.pi / 2]])
    np.testing.assert_allclose(to_world(cove, [0.0, 0.0]), [-4, 4.1, 0.2], atol=1e-12)  # u rises to the right
    np.testing.assert_allclose(to_world(cove, cove.outline_uv[2]), [3.5, 5, 1.1], atol=1e-12)
    np.testing.assert_allclose(normal_at(cove, [1.0, 0.45 * math.pi / 2]), [0, -(0.5**0.5), 0.5**0.5], atol=1e-12)


def test_a_cove_may_be_named_from_either_side():
    there = named(BACK_ONLY)["floor to back"]
    back = named(replace(BACK_ONLY, coves=(replace(FLOOR_BACK, between=("back", "floor")),)))["floor to back"]
    np.testing.assert_allclose(to_world(back, [0.0, 0.0]), [3.5, 5, 1.1], atol=1e-12)
    np.testing.assert_allclose(np.cross(back.across, back.normal), -back.up, atol=1e-12)
    np.testing.assert_allclose(np.cross(there.across, there.normal), -there.up, atol=1e-12)


tilted = st.tuples(
    st.floats(-0.7, 0.9),
    st.floats(0.05, 1.1),
    st.floats(-3.0, 3.0).map(lambda turn: np.array([math.cos(turn), math.sin(turn)])),
)


def leaning(lean, radius, way):
    """A floor with a wall in any direction that leans, and the cove between them."""
    middle, right = np.array([0.7, -1.3]) + 4 * way, np.array([way[1], -way[0]])
    wall = Wall(name="wall", start=tuple(middle - 3 * right), end=tuple(middle + 2.5 * right), height=3.7, lean=lean)
    return Stage(
        floors=(Floor(x=(-20, 21), y=(-22, 23)),),
        walls=(wall,),
        coves=(Cove(name="cove", between=("floor", "wall"), radius=radius),),
    )


@settings(deadline=None)  # other work may share the processor
@given(tilted, st.integers(0, 99))
def test_there_and_back(case, seed):
    """to_surface is the exact inverse of to_world on every surface, and gives the foot point of points off it."""
    rng = np.random.default_rng(seed)
    for surface in build_surfaces(leaning(*case)):
        low, high = surface.outline_uv.min(axis=0), surface.outline_uv.max(axis=0)
        uv = rng.uniform(low, high, (3, 4, 2))
        world = to_world(surface, uv)
        np.testing.assert_allclose(to_surface(surface, world), uv, atol=1e-10)
        off = world + 0.04 * normal_at(surface, uv)
        np.testing.assert_allclose(to_surface(surface, off), uv, atol=1e-10)
        assert np.allclose(np.linalg.norm(normal_at(surface, uv), axis=-1), 1)


@settings(deadline=None)  # other work may share the processor
@given(tilted)
def test_a_cove_is_tangent_to_both_and_as_long_as_its_arc(case):
    """Normals and positions agree at both joins; the radius turns by the angle between the two normals.

    Arc length on a cylinder is a geodesic: a fine polyline along v has the length of its v.
    """
    stage = named(leaning(*case))
    floor, wall, cove = (stage[name] for name in ("floor", "wall", "cove"))
    (_, _), (length, arc) = box(cove)
    assert arc == pytest.approx(cove.radius_m * math.acos(floor.normal @ wall.normal), abs=1e-9)
    for flat, v in ((floor, 0.0), (wall, arc)):
        line = to_world(cove, [[0.0, v], [length, v]])
        assert np.abs((line - flat.origin) @ flat.normal).max() < 1e-9
        np.testing.assert_allclose(normal_at(cove, [0.3, v]), flat.normal, atol=1e-12)
        # The edge of the flat part is this very line.
        uv = to_surface(flat, line)
        assert min(np.abs(flat.outline_uv - uv[0]).max(axis=1)) < 1e-6
        assert min(np.abs(flat.outline_uv - uv[1]).max(axis=1)) < 1e-6
    points = to_world(cove, np.stack([np.full(2001, 0.2), np.linspace(0, arc, 2001)], axis=-1))
    assert np.linalg.norm(np.diff(points, axis=0), axis=1).sum() == pytest.approx(arc, rel=1e-6)
    # On the stage side of both planes all along.
    assert ((points - floor.origin) @ floor.normal > -1e-9).all()
    assert ((points - wall.origin) @ wall.normal > -1e-9).all()


@settings(deadline=None)  # other work may share the processor
@given(tilted)
def test_trimmed_areas_add_up(case):
    """What the flat surfaces lose is the setback over the cove's length, and floor behind the wall."""
    bare, stage = named(replace(leaning(*case), coves=())), named(leaning(*case))
    length = box(stage["cove"])[1][0]
    setback = case[1] * math.tan(math.acos(bare["floor"].normal @ bare["wall"].normal) / 2)
    assert length == pytest.approx(5.5)
    assert area_m2(bare["wall"]) - area_m2(stage["wall"]) == pytest.approx(length * setback, abs=1e-6)
    lost = area_m2(bare["floor"]) - area_m2(stage["floor"])
    assert lost > length * setback
    middle = to_surface(stage["floor"], to_world(stage["cove"], [0.5 * length, 0.0]))
    out = stage["cove"].normal[:2]
    rays = [middle + d * out for d in (-1e-3, 1e-3, 0.5)]
    assert polygons.contains(stage["floor"].outline_uv, np.array(rays)).tolist() == [True, False, False]


def test_a_short_wall_leaves_the_floor_beside_it():
    """The cove is as long as floor and wall have in common; elsewhere the floor goes on to its edge."""
    wall = Wall(name="back", start=(-2.0, 5.0), end=(1.0, 5.0), base=0.2, height=3.0)
    stage = named(Stage(floors=(FLOOR,), walls=(wall,), coves=(FLOOR_BACK,)))
    assert box(stage["floor to back"])[1][0] == pytest.approx(3.0)
    assert area_m2(stage["floor"]) == pytest.approx(7.5 * 11 - 3 * 0.9)
    assert len(stage["floor"].outline_uv) == 8


def test_floor_behind_a_corner_of_two_walls_goes():
    wide = replace(CORNER, floors=(Floor(name="floor", x=(-5.5, 6.0), y=(-6.0, 7.0), z=0.2),))
    floor = named(wide)["floor"]
    inner = (3.5 + 4 - 0.9) * (4.1 + 1.5) + (3.5 + 5.5) * 4.5 + 2.5 * 13.0
    assert area_m2(floor) == pytest.approx(inner)


def surface_of_everything(stage, step):
    parts = [mesh(s, step) for s in build_surfaces(stage)]
    parts += [(p.vertices_m, p.triangles) for p in corner_patches(stage, step)]
    return trimesh.util.concatenate([trimesh.Trimesh(v, t, process=False) for v, t in parts])


def open_edges(whole):
    whole.merge_vertices(digits_vertex=7)
    rows = trimesh.grouping.group_rows(whole.edges_sorted, require_count=1)
    return whole.vertices[whole.edges_sorted[rows]]


@pytest.mark.parametrize("step", [0.3, 0.07])
@pytest.mark.parametrize("back_lean", [0.0, 0.25, -0.2])
def test_three_coves_of_one_radius_close_the_corner(step, back_lean):
    """Flat parts, coves and ball patch share their edges: what stays open is the rim of the stage only.

    Every face turns its front to a point of the stage near the corner (the corner is concave everywhere).
    """
    walls = (replace(CORNER.walls[0], lean=back_lean), CORNER.walls[1])
    stage = replace(CORNER, walls=walls)
    whole = surface_of_everything(stage, step)
    near = open_edges(whole).mean(axis=1)
    ball = np.array([-3.1, 4.1 - 0.9 * 0.3, 1.1])
    assert np.linalg.norm(near - ball, axis=1).min() > 1.5
    viewer = np.array([-2.9, 3.0, 1.5])
    facing = ((viewer - whole.triangles_center) * whole.face_normals).sum(axis=1)
    assert facing.min() > 0
    # The patch is part of the ball tangent to all three.
    (patch,) = corner_patches(stage, step)
    back = named(stage)["back"]
    centre = np.linalg.solve([[0, 0, 1], [1, 0, 0], back.normal], [1.1, -3.1, back.origin @ back.normal + 0.9])
    np.testing.assert_allclose(np.linalg.norm(patch.vertices_m - centre, axis=1), 0.9, atol=1e-12)


def test_the_corner_of_three_square_walls_is_an_eighth_of_a_ball():
    """Area of a spherical triangle with three right angles: r^2 times its excess, pi / 2 (Girard's theorem)."""
    (patch,) = corner_patches(CORNER, 0.02)
    area = trimesh.Trimesh(patch.vertices_m, patch.triangles, process=False).area
    assert area == pytest.approx(0.9**2 * math.pi / 2, rel=1e-3)


def test_coves_in_a_corner_end_where_their_tangent_lines_cross():
    stage = named(CORNER)
    np.testing.assert_allclose(box(stage["floor"]), [[-4, -6], [3.5, 4.1]])  # the left wall is shorter than the floor
    assert area_m2(stage["floor"]) == pytest.approx(7.5 * 10.1 - 0.9 * (4.1 + 1.5))
    np.testing.assert_allclose(box(stage["left"]), [[0, 0.9], [5.6, 3.1]], atol=1e-12)
    assert area_m2(stage["back"]) == pytest.approx(7.5 * 3.3 - 0.9 * (3.1 - 0.9))
    assert box(stage["floor to back"])[1][0] == pytest.approx(6.6)
    assert box(stage["floor to left"])[1][0] == pytest.approx(5.6)
    assert box(stage["left to back"])[1][0] == pytest.approx(2.2)


@pytest.mark.parametrize("radius", [0.5, 0.9, 1.7])
def test_nothing_overlaps_in_a_corner(radius):
    """No point of a surface lies behind another one near the corner, whatever the vertical cove's radius."""
    stage = replace(CORNER, coves=(FLOOR_BACK, FLOOR_LEFT, replace(LEFT_BACK, radius=radius)))
    surfaces = build_surfaces(stage)
    for surface in surfaces:
        vertices, triangles = mesh(surface, 0.05)
        points = trimesh.sample.sample_surface(trimesh.Trimesh(vertices, triangles, process=False), 2000, seed=5)[0]
        for other in surfaces:
            if other is surface:
                continue
            uv = to_surface(other, points)
            behind = ((points - to_world(other, uv)) * normal_at(other, uv)).sum(axis=-1) < -1e-3
            low, high = other.outline_uv.min(axis=0), other.outline_uv.max(axis=0)
            over = ((uv > low + 1e-3) & (uv < high - 1e-3)).all(axis=-1)
            assert not (behind & over & bool(other.radius_m)).any(), (surface.name, other.name)


@pytest.mark.parametrize("radius", [0.5, 1.7])
def test_a_corner_of_unequal_radii_is_closed_for_drawing(radius):
    """Where the vertical cove is the tighter one, the patch ends along straight stretches of the walls' lower edges."""
    stage = replace(CORNER, coves=(FLOOR_BACK, FLOOR_LEFT, replace(LEFT_BACK, radius=radius)))
    edges = open_edges(surface_of_everything(stage, 0.1))
    near = edges[np.linalg.norm(edges.mean(axis=1) - [-3.1, 4.1, 1.1], axis=1) < 1.4]
    wall_edge = (np.abs(near[..., 2] - 1.1) < 1e-6) & (
        (np.abs(near[..., 0] + 4) < 1e-6) | (np.abs(near[..., 1] - 5) < 1e-6)
    )
    assert wall_edge.all()
    assert len(near) == (2 if radius < 0.9 else 0)
    (patch,) = corner_patches(stage, 0.1)
    whole = trimesh.Trimesh(patch.vertices_m, patch.triangles, process=False)
    assert ((np.array([-1.5, 2.0, 2.0]) - whole.triangles_center) * whole.face_normals).sum(axis=1).min() > 0


def test_a_mesh_has_the_area_of_its_surface():
    for surface in build_surfaces(CORNER):
        vertices, triangles = mesh(surface, 0.02)
        whole = trimesh.Trimesh(vertices, triangles, process=False)
        assert whole.area == pytest.approx(area_m2(surface), rel=2e-4)
        assert (whole.face_normals @ surface.normal > -1e-9).all() or surface.radius_m


@settings(deadline=None)  # other work may share the processor
@given(st.integers(0, 10_000))
def test_moving_the_whole_stage_moves_its_surfaces(seed):
    """A rigid motion leaves outlines and areas as they are, and carries the world points along."""
    rng = np.random.default_rng(seed)
    turn = trimesh.transformations.random_rotation_matrix(rng.uniform(size=3))[:3, :3]
    shift = rng.uniform(-9, 9, 3)
    panels = (
        Panel(name="floor", corner=(-4, -6, 0.2), across=(7.5, 0, 0), up=(0, 11, 0)),
        Panel(name="back", corner=(-4, 5, 0.2), across=(7.5, 0, 0), up=(0, 0.8, 4.2)),
        Panel(name="left", corner=(-4, -1.5, 0.2), across=(0, 6.5, 0), up=(0, 0, 3.1)),
    )
    moved = [
        replace(p, corner=tuple(turn @ p.corner + shift), across=tuple(turn @ p.across), up=tuple(turn @ p.up))
        for p in panels
    ]
    here = build_surfaces(Stage(panels=panels, coves=CORNER.coves))
    there = build_surfaces(Stage(panels=tuple(moved), coves=CORNER.coves))
    for a, b in zip(here, there, strict=True):
        assert area_m2(a) == pytest.approx(area_m2(b), abs=1e-6)
        np.testing.assert_allclose(
            to_world(a, a.outline_uv[0]) @ turn.T + shift, to_world(b, to_surface(b, to_world(b, a.outline_uv[0]))),
            atol=1e-6,
        )  # fmt: skip


@pytest.mark.parametrize(
    ("stage", "words"),
    [
        (replace(BACK_ONLY, coves=(replace(FLOOR_BACK, radius=4.5),)), ["'floor to back'", "4.500 m", "misses 'back'"]),
        (replace(BACK_ONLY, coves=(replace(FLOOR_BACK, between=("floor", "nowhere")),)), ["'nowhere'"]),
        (
            Stage(
                walls=(BACK, Wall(name="front", start=(3, -5), end=(-4, -5), height=3)),
                coves=(Cove(name="c", between=("back", "front"), radius=0.5),),
            ),
            ["'c'", "parallel"],
        ),
        (replace(BACK_ONLY, coves=(replace(FLOOR_BACK, between=("back", "back")),)), ["parallel"]),
        (
            Stage(
                floors=(FLOOR,),
                walls=(Wall(name="back", start=(4, 5), end=(8, 5), base=0.2, height=3),),
                coves=(FLOOR_BACK,),
            ),
            ["no length in common"],
        ),
        (  # the back of the wall is to the floor
            Stage(floors=(FLOOR,), walls=(replace(BACK, start=BACK.end, end=BACK.start),), coves=(FLOOR_BACK,)),
            ["misses 'floor'", "fronts"],
        ),
        (Stage(floors=(Floor(x=(3, -3), y=(0, 4)),)), ["floor 'floor'", "rising order"]),
        (Stage(walls=(replace(BACK, end=BACK.start),)), ["wall 'back'", "0.000 m by 4.200 m"]),
        (Stage(panels=(Panel(name="p", corner=(0, 0, 0), across=(1, 0, 0), up=(0.5, 1, 0)),)), ["63.43 degrees"]),
        (
            Stage(
                floors=(Floor(x=(0, 1.5), y=(0, 4)),),
                walls=(
                    Wall(name="a", start=(0, 0), end=(0, 4), height=3),
                    Wall(name="b", start=(1.5, 4), end=(1.5, 0), height=3),
                ),
                coves=(
                    Cove(name="one", between=("floor", "a"), radius=0.8),
                    Cove(name="two", between=("floor", "b"), radius=0.8),
                ),
            ),
            ["'one' and 'two'", "nothing left of 'floor'"],
        ),
    ],
)
def test_bad_geometry_says_where_and_why(stage, words):
    with pytest.raises(BadInput) as caught:
        build_surfaces(stage)
    for word in words:
        assert word in str(caught.value)


def test_all_problems_come_at_once():
    coves = (replace(FLOOR_BACK, radius=9.0), replace(FLOOR_LEFT, radius=9.0))
    with pytest.raises(BadInput) as caught:
        build_surfaces(replace(CORNER, coves=coves))
    assert len(caught.value.problems) == 2


@settings(deadline=None)  # other work may share the processor
@given(st.floats(-1.4, 1.4), st.floats(0.01, 30.0))
def test_any_lean_and_radius_is_built_or_refused(lean, radius):
    assume(abs(lean) > 1e-9)
    wall = replace(BACK_ONLY.walls[0], lean=lean)
    setback = radius * math.tan((math.pi / 2 - lean) / 2)
    assume(abs(setback - wall.height) > 1e-3)
    stage = replace(BACK_ONLY, walls=(wall,), coves=(replace(FLOOR_BACK, radius=radius),))
    if setback < wall.height:
        assert all(area_m2(surface) > 0 for surface in build_surfaces(stage))
    else:
        with pytest.raises(BadInput, match="floor to back"):
            build_surfaces(stage)
