"""What hides a point: each solid against an independent account of it, its window, its path."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scatterproof.plan.model import Blocker, Gear, PathKey, Plan, Shot, Stage
from scatterproof.problems import BadInput
from scatterproof.sightings.blockers import HAIR, Box, Mesh, Rounded, build_occluders, place
from scatterproof.sightings.bvh import build_bvh, crossed, grazed, in_cone, refitted

seeds = st.integers(0, 2**32 - 1)
SHAPES = {
    "capsule": Rounded(np.array([0.3, 0.3, 0.3]), 0.6),
    "elliptic capsule": Rounded(np.array([0.275, 0.2, 0.275]), 0.625),
    "ellipsoid": Rounded(np.array([0.5, 0.3, 0.9]), 0.0),
    "box": Box(np.array([0.5, 0.2, 0.7])),
}


def mesh_of(shape, **fineness):
    vertices, triangles = shape.mesh(**fineness)
    return Mesh(vertices, triangles, build_bvh(vertices, triangles))


def still(shape, at=(0, 0, 0), turn=0.0):
    return place("it", shape, np.array([at], float), np.array([turn]))


def lines(rng, count, spread=1.5):
    """Lines of sight that start around a solid at the origin, 3 to 6 m away, and end behind, in or before it."""
    eye = rng.normal(size=(count, 3))
    eye *= (rng.uniform(3, 6, count) / np.linalg.norm(eye, axis=1))[:, None]
    aim = np.array([0, 0, 0.8]) + rng.normal(size=(count, 3)) * spread / 2
    return eye, eye + (aim - eye) * rng.uniform(0.6, 2.5, count)[:, None]


def hides(occluder, eye, point, window=0.0):
    rows = np.zeros(len(eye), int)
    return occluder.hides(rows, eye, point, np.broadcast_to(np.asarray(window, float), len(eye)))


def depth_inside(shape, points):
    """Negative inside the solid: an own account of capsule, ellipsoid and box, in the solid's axes."""
    q = np.abs(points - shape.sphere()[0])
    if isinstance(shape, Box):
        return np.max(q - shape.half_m, axis=-1)
    q[..., 2] = np.maximum(q[..., 2] - shape.line_m, 0)
    return np.linalg.norm(q / shape.half_m, axis=-1) - 1


@pytest.mark.parametrize("name", SHAPES)
def test_a_solid_hides_what_a_walk_along_the_line_of_sight_meets(name):
    shape = SHAPES[name]
    eye, point = lines(np.random.default_rng(3), 1500)
    share = np.linspace(0, 1, 2001)[None, :, None]
    length = np.linalg.norm(point - eye, axis=1)[:, None, None]
    walked = depth_inside(shape, eye[:, None] + share * (1 - HAIR / length) * (point - eye)[:, None]).min(axis=1)
    clear = np.abs(walked) > 2e-3  # steps of 4 mm miss shallow cuts
    hidden = hides(still(shape), eye, point)
    np.testing.assert_array_equal(hidden[clear], walked[clear] < 0)
    assert 0.1 < hidden.mean() < 0.8
    assert clear.mean() > 0.95


def test_the_edge_of_a_capsule_is_where_its_tangent_runs():
    # A level line of sight grazes a round capsule of radius 0.3, its axis 3 m away, at asin(0.3 / 3) from the axis.
    angle = np.arcsin(0.1) + np.array([-1e-9, 1e-9])
    eye = np.tile([0, -3.0, 0.9], (2, 1))
    point = eye + 6 * np.stack([np.sin(angle), np.cos(angle), [0, 0]], axis=1)
    assert hides(still(SHAPES["capsule"]), eye, point).tolist() == [True, False]
    # With a window the edge moves out by just that angle.
    for window in (1e-4, 1e-3, 5e-3):
        angle = np.arcsin(0.1) + window * np.array([0.999, 1.001])
        point = eye + 6 * np.stack([np.sin(angle), np.cos(angle), [0, 0]], axis=1)
        assert hides(still(SHAPES["capsule"]), eye, point, window).tolist() == [True, False]


def ring(eye, point, window, count=64):
    """Points whose lines of sight lie on a cone about each given one, cut off at the same depth."""
    step = point - eye
    side = np.cross(step, np.eye(3)[np.argmin(np.abs(step), axis=1)])
    side /= np.linalg.norm(side, axis=1)[:, None]
    up = np.cross(step, side) / np.linalg.norm(step, axis=1)[:, None]
    angle = np.arange(count) * 2 * np.pi / count
    off = np.cos(angle)[:, None, None] * side + np.sin(angle)[:, None, None] * up
    return point + off * window * np.linalg.norm(step, axis=1)[:, None]


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize(("window", "error"), [(0.0005, 0.01), (0.003, 0.01), (0.015, 0.05)])
def test_the_window_reaches_as_far_as_a_ring_of_lines_of_sight(name, window, error):
    # Half a window of 15 px at focal lengths of 15000, 2500 and 500 px; the errors are those that Rounded states.
    occluder = still(SHAPES[name])
    eye, point = lines(np.random.default_rng(5), 10_000, spread=0.9)
    point = eye + (point - eye) * np.maximum(1, 8 / np.linalg.norm(point - eye, axis=1))[:, None]  # well behind
    without = hides(occluder, eye, point)
    found = hides(occluder, eye, point, window) & ~without
    inner, outer = (
        ~without & np.any([hides(occluder, eye, p) for p in ring(eye, point, share * window)], axis=0)
        for share in (1 - error, 1 + error)
    )
    assert found.sum() > 20
    assert not np.any(inner & ~found), "within the window, and missed"
    # 64 lines leave gaps of 0.1 % of the window between each other, so none is missed on the outside either
    assert not np.any(found & ~outer), "beyond the window, and taken"


def test_no_window_behind_the_point():
    # A point 5 mm before the face of a box, and one 5 mm before the belly of a capsule, on the camera's side.
    eye = np.array([[0, -4.0, 0.9]])
    for name, front in (("box", -0.2), ("capsule", -0.3)):
        assert not hides(still(SHAPES[name]), eye, np.array([[0, front - 0.005, 0.9]]), 0.01)
        assert hides(still(SHAPES[name]), eye, np.array([[0, front + 0.005, 0.9]]), 0.0)


@pytest.mark.parametrize("name", SHAPES)
def test_a_fine_mesh_of_a_solid_hides_as_the_solid_does(name):
    shape = SHAPES[name]
    eye, point = lines(np.random.default_rng(7), 20_000)
    mesh = still(mesh_of(shape, **({} if name == "box" else {"around": 192, "bands": 48})))
    ends = np.minimum(np.abs(depth_inside(shape, eye)), np.abs(depth_inside(shape, point)))
    for window in (0.0, 0.002):
        by_solid, by_mesh = hides(still(shape), eye, point, window), hides(mesh, eye, point, window)
        differ = by_solid != by_mesh
        if name == "box":  # a mesh is hollow, a solid is not; ends on the box itself lose their window
            inside = (depth_inside(shape, point) < HAIR) | (depth_inside(shape, eye) < 0)
            assert not np.any(differ & ~inside & (ends > 3 * HAIR))
        else:  # the mesh is inscribed, a little smaller
            assert not np.any(by_mesh & ~by_solid)
            assert differ.mean() < 2e-3
        assert by_mesh.mean() > 0.1


@settings(max_examples=60)
@given(seeds, st.sampled_from(sorted(SHAPES)))
def test_moving_everything_rigidly_changes_nothing(seed, name):
    rng = np.random.default_rng(seed)
    eye, point = lines(rng, 300)
    window = rng.uniform(0, 0.01, 300)
    turn, shift = rng.uniform(-7, 7), rng.normal(size=3) * 5
    c, s = np.cos(turn), np.sin(turn)
    world = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    before = hides(still(SHAPES[name]), eye, point, window)
    after = hides(still(SHAPES[name], shift, turn), eye @ world.T + shift, point @ world.T + shift, window)
    assert np.sum(before != after) <= 1  # a line of sight may graze to the last digit
    vertices, _ = still(SHAPES[name], shift, turn).mesh_at(0)
    np.testing.assert_allclose(vertices, SHAPES[name].mesh()[0] @ world.T + shift, atol=1e-12)


@settings(max_examples=80)
@given(seeds, st.sampled_from(sorted(SHAPES)), st.floats(1.01, 3))
def test_a_bigger_blocker_never_reveals_a_feature(seed, name, scale):
    shape = SHAPES[name]
    fields = {"half_m": shape.half_m * scale} | ({} if name == "box" else {"line_m": shape.line_m * scale})
    eye, point = lines(np.random.default_rng(seed), 400)
    window = np.random.default_rng(seed).choice([0.0, 0.002, 0.01], 400)
    small, big = (hides(still(s), eye, point, window) for s in (shape, type(shape)(**fields)))
    # Right before the bigger one, the smaller one's silhouette may have been in the window, where now there is a face.
    gap = np.abs(depth_inside(type(shape)(**fields), point))
    assert not np.any(small & ~big & (gap > 3 * HAIR + 10 * window))


@settings(max_examples=40)
@given(seeds)
def test_a_wider_window_never_reveals_a_feature(seed):
    rng = np.random.default_rng(seed)
    eye, point = lines(rng, 400)
    narrow = rng.uniform(0, 0.01, 400)
    for shape in (*SHAPES.values(), mesh_of(SHAPES["ellipsoid"])):
        occluder = still(shape)
        assert not np.any(hides(occluder, eye, point, narrow) & ~hides(occluder, eye, point, narrow * 1.5))


@pytest.mark.parametrize("name", SHAPES)
def test_many_at_once_equal_one_by_one_and_odd_ends_are_answered(name):
    occluder = still(SHAPES[name])
    eye, point = lines(np.random.default_rng(11), 60)
    eye[0] = point[0]  # no length
    eye[1], point[1] = [0, 0, 5], [0, 0, -1]  # straight down through it
    eye[2], point[2] = [2, 0, 5], [2, 0, -1]  # straight down beside it
    eye[3], point[3] = [0, 0, 0.5], [9, 9, 9]  # from inside
    together = hides(occluder, eye, point, 0.002)
    apart = [hides(occluder, eye[i : i + 1], point[i : i + 1], 0.002)[0] for i in range(60)]
    assert together.tolist() == apart
    assert together[1:4].tolist() == [True, False, True]
    assert hides(occluder, eye[:0], point[:0]).shape == (0,)


@pytest.mark.parametrize("name", SHAPES)
def test_the_sphere_and_the_drawn_mesh_hold_the_solid(name):
    occluder = place("it", SHAPES[name], np.array([[1, 2, 0.5], [3, 4, 0]]), np.array([0.3, 2.0]))
    for row in (0, 1):
        vertices, triangles = occluder.mesh_at(row)
        distance = np.linalg.norm(vertices - occluder.centre_m[row], axis=1)
        assert distance.max() <= occluder.radius_m + 1e-12
        assert vertices[:, 2].min() == pytest.approx(occluder.at_m[row, 2])
        a, b, c = vertices[triangles].transpose(1, 0, 2)
        volume = np.einsum("ti,ti->t", np.cross(b - a, c - a), a - occluder.centre_m[row])
        assert np.all(volume >= -1e-12), "triangles turn outwards"
        assert volume.sum() / 6 == pytest.approx(_volume(SHAPES[name]), rel=0.03)


def _volume(shape):
    product = np.prod(shape.half_m)
    if isinstance(shape, Box):
        return 8 * product
    return 4 / 3 * np.pi * product + 2 * shape.line_m * np.pi * product / shape.half_m[2]


@settings(max_examples=40)
@given(seeds)
def test_an_edge_is_in_the_cone_where_a_walk_along_it_is(seed):
    rng = np.random.default_rng(seed)
    start, stop = rng.normal(size=(2, 3, 200)) + [[[0.0]], [[0.0]]] + np.array([0, 3.0, 0])[:, None]
    direction = np.tile(np.array([0, 1.0, 0])[:, None], 200)
    length, window = rng.uniform(2, 5, 200), rng.uniform(0.05, 0.4, 200)
    walk = start[..., None] + (stop - start)[..., None] * np.linspace(0, 1, 2001)
    depth = walk[1]
    far = np.sqrt(walk[0] ** 2 + walk[2] ** 2) - window[:, None] * depth
    far[(depth <= 0) | (depth > length[:, None])] = np.inf
    walked = far.min(axis=1)
    sure = np.abs(walked) > 3e-3
    found = in_cone(start, stop - start, direction, length, window)
    np.testing.assert_array_equal(found[sure & np.isfinite(walked)], (walked <= 0)[sure & np.isfinite(walked)])


def test_every_edge_of_a_triangle_has_a_window():
    triangle = np.array([[-1, 3, 0], [1, 3, 0], [0.2, 4, 1.5]], float)
    tree = build_bvh(triangle, np.array([[0, 1, 2]]))
    for corner in range(3):
        a, b = triangle[corner], triangle[(corner + 1) % 3]
        middle = (a + b) / 2
        out = np.cross(b - a, middle)  # square to the edge and to the line of sight to its middle
        out *= np.sign(out @ (middle - triangle.mean(axis=0))) / np.linalg.norm(out)
        for share, expected in ((0.99, True), (1.01, False)):
            beside = middle + out * share * 0.004 * np.linalg.norm(middle)
            segment = np.zeros((1, 3)), 2 * beside[None]
            assert grazed(tree, *segment, np.array([0.004])).tolist() == [expected]
            assert not crossed(tree, *segment).any()


def test_trees_of_any_size_find_what_testing_every_triangle_finds():
    rng = np.random.default_rng(13)
    for count in (1, 2, 3, 7, 8, 9, 31, 64, 200, 1000):
        vertices = rng.normal(size=(3 * count, 3))
        triangles = np.arange(3 * count).reshape(-1, 3)
        vertices[3:] = vertices[3:] * 0.2 + rng.normal(size=(count - 1, 1, 3)).repeat(3, axis=1).reshape(-1, 3)
        tree = build_bvh(vertices, triangles)
        each = [build_bvh(vertices, triangles[i : i + 1]) for i in range(count)]
        start, end = rng.normal(size=(2, 100, 3)) * 2
        window = rng.uniform(0, 0.05, 100)
        np.testing.assert_array_equal(crossed(tree, start, end), np.any([crossed(t, start, end) for t in each], axis=0))
        np.testing.assert_array_equal(
            grazed(tree, start, end, window), np.any([grazed(t, start, end, window) for t in each], axis=0)
        )


def a_plan(*blockers, gear=()):
    return Plan(name="test", stage=Stage(), blockers=blockers, gear=gear)


SHOT = Shot(name="one", camera="a", frames=(1, 11))
FRAMES = np.arange(1, 12)


def test_a_performer_walks_along_the_keys(tmp_path):
    keys = (
        PathKey(frame=3, at=(0, 0, 0), turn=0.0),
        PathKey(frame=7, at=(4, 0, 0), turn=1.0, interpolation="constant"),
        PathKey(frame=9, at=(4, 8, 0.5), turn=2.0),
    )
    (walker,) = build_occluders(a_plan(Blocker(name="walker", keys=keys)), SHOT, FRAMES, tmp_path)
    foot = [(0, 0, 0)] * 3 + [(1, 0, 0), (2, 0, 0), (3, 0, 0), (4, 0, 0), (4, 0, 0)] + [(4, 8, 0.5)] * 3
    np.testing.assert_allclose(walker.centre_m - np.array([0, 0, 0.9]), foot, atol=1e-12)
    np.testing.assert_allclose(walker.turn_rad, [0, 0, 0, 0.25, 0.5, 0.75, 1, 1, 2, 2, 2], atol=1e-12)
    # Seen from downstage, the point behind it is hidden only while it stands before it.
    eye, point = np.tile([2, -5.0, 1.2], (11, 1)), np.tile([2, 5.0, 0.9], (11, 1))
    hidden = walker.hides(np.arange(11), eye, point, np.full(11, 1e-3))
    assert np.flatnonzero(hidden).tolist() == [4]


def test_a_turning_box_shows_its_narrow_side():
    flat = place("flat", Box(np.array([1.0, 0.05, 1.0])), np.zeros((2, 3)), np.array([0, np.pi / 2]))
    eye, point = np.tile([0.5, -4, 1.0], (2, 1)), np.tile([0.5, 4, 1.0], (2, 1))
    assert flat.hides(np.arange(2), eye, point, np.zeros(2)).tolist() == [True, False]


def test_blockers_are_there_in_their_shots_only(tmp_path):
    here, there = Blocker(name="here", shots=("one", "two")), Blocker(name="there", shots=("two",))
    plan = a_plan(Blocker(name="always"), here, there)
    assert [o.name for o in build_occluders(plan, SHOT, FRAMES, tmp_path)] == ["always", "here"]


def test_gear_hides_the_stage_and_its_own_far_corners_but_not_its_near_ones(tmp_path):
    gear = Gear(name="crate", at=(1, 2, 0.1), size=(0.8, 0.6, 1.0), turn=0.4)
    (crate,) = build_occluders(a_plan(gear=(gear,)), SHOT, FRAMES[:1], tmp_path)
    corners, _ = crate.mesh_at(0)
    rng = np.random.default_rng(17)
    for _ in range(200):
        eye = crate.centre_m[0] + (v := rng.normal(size=3)) / np.linalg.norm(v) * rng.uniform(2, 9)
        hidden = hides(crate, np.tile(eye, (8, 1)), corners, 0.005)
        # Corners seen are those of a face that is turned towards the eye.
        local = np.array([[np.cos(0.4), np.sin(0.4), 0], [-np.sin(0.4), np.cos(0.4), 0], [0, 0, 1]])
        aside = local @ (eye - crate.centre_m[0])
        side = np.sign(aside) * (np.abs(aside) > [0.4, 0.3, 0.5])
        seen = np.any(np.sign(local @ (corners - crate.centre_m[0]).T) == side[:, None], axis=0)
        np.testing.assert_array_equal(hidden, ~seen)
    assert hides(crate, np.array([[1, -5, 0.6]]), np.array([[1, 6, 0.6]]))[0]


def test_a_mesh_blocker_is_read_from_beside_the_plan(tmp_path):
    vertices, triangles = SHAPES["box"].mesh()
    write_obj(tmp_path / "flat.obj", vertices, triangles)
    flat = Blocker(name="flat", kind="mesh", file="flat.obj", at=(0, 1, 0), turn=0.5)
    (by_mesh,) = build_occluders(a_plan(flat), SHOT, FRAMES[:1], tmp_path)
    eye, point = lines(np.random.default_rng(19), 2000)
    point[:, 1] += 9
    by_box = still(SHAPES["box"], (0, 1, 0), 0.5)
    np.testing.assert_array_equal(hides(by_mesh, eye, point), hides(by_box, eye, point))


def write_obj(path, vertices, triangles):
    rows = [f"v {x} {y} {z}" for x, y, z in vertices] + ["f " + " ".join(map(str, t + 1)) for t in triangles]
    path.write_text("\n".join(rows), encoding="utf-8")


def test_gear_of_a_mesh_hides_as_its_mesh_but_not_its_own_corners(tmp_path):
    """A pyramid: its box would hide the points inside the box, and its silhouette carries its hard points."""
    base = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0.0]])
    vertices = np.concatenate([base, [[0, 0, 1.0], [0.0, -0.5, 0.5]]])  # the last lies amid the front face's edge line
    triangles = np.array([[0, 1, 5], [1, 4, 5], [4, 0, 5], [1, 2, 4], [2, 3, 4], [3, 0, 4], [0, 2, 1], [0, 3, 2]])
    write_obj(tmp_path / "pyramid.obj", vertices, triangles)
    gear = Gear(name="pyramid", at=(0, 3, 0), size=(2, 2, 1), points=tuple(map(tuple, vertices)), file="pyramid.obj")
    (solid,) = build_occluders(a_plan(gear=(gear,)), SHOT, FRAMES[:1], tmp_path)
    eye = np.tile([0.0, -5, 0.3], (6, 1))
    world = vertices + np.array([0, 3, 0])
    assert hides(solid, eye, world, 0.01).tolist() == [False, False, True, True, False, False]
    beside = world[4] + [[0.02, 0, 0.002], [0.0, 0.5, 0.08], [0.0, 0.5, -0.3]]  # near the tip; behind it; hidden
    assert hides(solid, eye[:3], beside, 0.01).tolist() == [True, True, True]
    assert hides(solid, eye[:3], beside).tolist() == [False, False, True]


def test_a_tree_refitted_to_moved_vertices_answers_as_a_new_one():
    rng = np.random.default_rng(23)
    vertices, triangles = SHAPES["elliptic capsule"].mesh()
    tree = build_bvh(vertices, triangles)
    moved = vertices @ [[1, 0.3, 0], [-0.2, 1.2, 0], [0, 0, 0.7]] + rng.normal(size=vertices.shape) * 0.02
    eye, point = lines(rng, 3000)
    window = rng.uniform(0, 0.01, len(eye))
    new, old = build_bvh(moved, triangles), refitted(tree, moved, triangles)
    for ask in (lambda t: crossed(t, eye, point), lambda t: grazed(t, eye, point, window)):
        np.testing.assert_array_equal(ask(old), ask(new))
        assert 0.005 < ask(new).mean() < 0.9
    assert not np.array_equal(crossed(tree, eye, point), crossed(new, eye, point))


def test_every_bad_mesh_is_told(tmp_path):
    (tmp_path / "bad.obj").write_text("v 0 0\nf 1 2 3\n", encoding="utf-8")
    plan = a_plan(*(Blocker(name=n, kind="mesh", file=f) for n, f in (("a", ""), ("b", "none.obj"), ("c", "bad.obj"))))
    with pytest.raises(BadInput) as caught:
        build_occluders(plan, SHOT, FRAMES, tmp_path)
    told = [f"{p.file}: {p.where}" for p in caught.value.problems]
    assert told == [": blocker[1] 'a'.file", "none.obj: mesh file", "bad.obj: line 1", "bad.obj: line 2"]
