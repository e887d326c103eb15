"""Occlusion against two outside ray tracers, on random meshes.

References: Embree (I. Wald et al., "Embree: a kernel framework for efficient CPU ray tracing", 2014; through the
embreex package) and trimesh's own numpy ray tracer (trimesh.ray.ray_triangle). Both answer for whole rays: a hit counts
where it is nearer than the segment's end. Embree computes in single precision, so that rays within a few 1e-6 of an
edge or of an end may differ and are left out; how many is bounded.
"""

import numpy as np
import pytest
import trimesh
from scatterproof.sightings.blockers import Box, Mesh, Rounded, place
from scatterproof.sightings.bvh import build_bvh, crossed
from trimesh.ray.ray_pyembree import RayMeshIntersector as Embree
from trimesh.ray.ray_triangle import RayMeshIntersector as Own


def soup(rng, count):
    """Triangles of all sizes and shapes, slivers too, anywhere in a cube of 2 m."""
    middle = rng.uniform(-1, 1, (count, 1, 3))
    corners = middle + rng.normal(size=(count, 3, 3)) * 10 ** rng.uniform(-2.5, -0.3, (count, 1, 1))
    return trimesh.Trimesh(corners.reshape(-1, 3), np.arange(3 * count).reshape(-1, 3), process=False)


def lumpy(rng, level):
    """A closed body with a rough skin."""
    body = trimesh.creation.icosphere(subdivisions=level)
    body.vertices *= 1 + 0.2 * np.sin(body.vertices @ rng.normal(size=(3, 3)) * 3).sum(axis=1, keepdims=True) / 3
    body.vertices += rng.normal(size=body.vertices.shape) * 0.3 / 2**level / 3
    return body


def segments(rng, count):
    start = rng.normal(size=(count, 3))
    start *= (rng.uniform(1.5, 4, count) / np.linalg.norm(start, axis=1))[:, None]
    return start, start + (rng.normal(size=(count, 3)) * 0.6 - start) * rng.uniform(0.3, 3, count)[:, None]


def slack(mesh, start, end):
    """(R,) how clearly each segment meets or misses every triangle: the least change that could alter an answer.

    By brute force, apart from the code under test: solves a + b e1 + c e2 = s + t d for each pair.
    """
    a, b, c = mesh.triangles.transpose(1, 0, 2)
    system = np.stack(np.broadcast_arrays((b - a)[None], (c - a)[None], -(end - start)[:, None]), axis=-1)
    volume = np.linalg.det(system)
    sizes = np.linalg.norm(system, axis=2).prod(axis=-1)
    flat = np.abs(volume) < 1e-9 * sizes
    system[flat] = np.eye(3)
    u, v, t = np.linalg.solve(system, (start[:, None] - a[None])[..., None])[..., 0].transpose(2, 0, 1)
    margins = np.stack([u, v, 1 - u - v, t, 1 - t])
    inside = np.min(margins, axis=0)
    return np.where(flat, 1.0, np.abs(inside)).min(axis=1), np.where(flat, -1.0, inside).max(axis=1) > 0


def nearest_hit(tracer, start, end):
    direction = end - start
    length = np.linalg.norm(direction, axis=1)
    place_m, ray, _ = tracer.intersects_location(start, direction / length[:, None], multiple_hits=True)
    near = np.full(len(start), np.inf)
    np.minimum.at(near, ray, np.linalg.norm(place_m - start[ray], axis=1))
    return near, length


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("tracer", [Embree, Own], ids=["embree", "trimesh"])
@pytest.mark.parametrize("make", [lambda r: soup(r, 150), lambda r: lumpy(r, 2)], ids=["soup", "body"])
def test_random_meshes(make, tracer, seed):
    rng = np.random.default_rng(seed)
    mesh = make(rng)
    start, end = segments(rng, 700)
    ours = crossed(build_bvh(mesh.vertices, mesh.faces), start, end)
    clear, brute = slack(mesh, start, end)
    sure = clear > 1e-6
    assert sure.mean() > 0.98
    np.testing.assert_array_equal(ours[sure], brute[sure])
    near, length = nearest_hit(tracer(mesh), start, end)
    sure = clear > (2e-5 if tracer is Embree else 1e-6)  # single precision over a few metres and small triangles
    assert sure.mean() > 0.95
    np.testing.assert_array_equal(ours[sure], (near < length)[sure])
    assert 0.1 < ours.mean() < 0.9


def test_a_large_closed_body_leaks_nowhere():
    """Every ray to the inside of a closed body is stopped, the centres of edges and the corners included."""
    body = lumpy(np.random.default_rng(5), 5)
    tree = build_bvh(body.vertices, body.faces)
    aims = np.concatenate([body.vertices, body.vertices[body.edges_unique].mean(axis=1), body.triangles_center])
    inside = np.tile([0.01, -0.02, 0.03], (len(aims), 1))
    start = inside + (aims - inside) * 3
    assert body.contains(inside[:1]).all()
    assert crossed(tree, start, inside).all()


def test_a_large_body_against_embree():
    rng = np.random.default_rng(7)
    body = lumpy(rng, 5)
    start, end = segments(rng, 40_000)
    ours = crossed(build_bvh(body.vertices, body.faces), start, end)
    near, length = nearest_hit(Embree(body), start, end)
    differ = ours != (near < length)
    assert differ.mean() < 1e-3  # single precision at edges and ends
    # Where they differ, a shift of 1e-5 of the line of sight brings them together: no blunder hides among the rounding.
    for ray in np.flatnonzero(differ):
        shifted = start[ray] + rng.normal(size=(200, 3)) * 1e-5
        answers = crossed(build_bvh(body.vertices, body.faces), shifted, np.tile(end[ray], (200, 1)))
        assert answers.any() != answers.all(), (start[ray], end[ray])


@pytest.mark.parametrize(
    ("shape", "solid"),
    [
        (Box(np.array([0.5, 0.2, 0.7])), lambda: trimesh.creation.box((1.0, 0.4, 1.4))),
        (Rounded(np.array([0.5, 0.3, 0.9]), 0.0), lambda: _stretched((0.5, 0.3, 0.9))),
        (
            Rounded(np.array([0.3, 0.3, 0.3]), 0.6),
            lambda: trimesh.creation.capsule(height=1.2, radius=0.3, count=(192, 192)),
        ),
    ],
    ids=["box", "ellipsoid", "capsule"],
)
def test_solids_against_meshes_of_trimesh_in_embree(shape, solid):
    rng = np.random.default_rng(11)
    mesh = solid()
    mesh.apply_translation(shape.sphere()[0] - mesh.bounds.mean(axis=0))
    start, end = segments(rng, 20_000)
    end = start + (end - start) * 3  # well behind it
    start[:, 2] += 0.7
    end[:, 2] += 0.7
    occluder = place("it", shape, np.zeros((1, 3)), np.zeros(1))
    ours = occluder.hides(np.zeros(len(start), int), start, end, np.zeros(len(start)))
    near, length = nearest_hit(Embree(mesh), start, end)
    differ = ours != (near < length - 1e-3)
    assert differ.mean() < (1e-4 if isinstance(shape, Box) else 2e-3)  # the mesh of a rounded solid is inscribed
    assert not np.any(differ & ~ours) or isinstance(shape, Box)
    assert ours.mean() > 0.2


def _stretched(half):
    ball = trimesh.creation.icosphere(subdivisions=5)
    ball.vertices *= half
    return ball


def test_a_mesh_blocker_equals_its_tree():
    body = lumpy(np.random.default_rng(3), 3)
    tree = build_bvh(body.vertices, body.faces)
    occluder = place("it", Mesh(body.vertices, body.faces, tree), np.array([[1.0, 2, 3]]), np.array([0.7]))
    start, end = segments(np.random.default_rng(4), 2000)
    c, s = np.cos(0.7), np.sin(0.7)
    world = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    hair = (end - start) / np.linalg.norm(end - start, axis=1)[:, None] * 1e-3
    found = occluder.hides(np.zeros(2000, int), start @ world.T + [1, 2, 3], end @ world.T + [1, 2, 3], np.zeros(2000))
    assert np.sum(found != crossed(tree, start, end - hair)) <= 1
