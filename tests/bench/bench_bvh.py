"""Lines of sight against triangle meshes: the numpy tree against Embree and against trimesh's own numpy ray tracer.

    PYTHONPATH=engine python tests/bench/bench_bvh.py

Prints times and ratios (above 1: slower than the other); nothing is asserted on time. The answers are compared first.
trimesh's tracer takes a sample only: its time is that of the sample, scaled.
"""

import time

import numpy as np
import trimesh
from scatterproof.sightings.bvh import build_bvh, crossed, grazed
from trimesh.ray.ray_pyembree import RayMeshIntersector as Embree
from trimesh.ray.ray_triangle import RayMeshIntersector as Own

RAYS, SAMPLE, ROUNDS, WINDOW_RAD = 100_000, 2_000, 5, 0.003


def a_body(level):
    """A performer-sized closed body of 20 x 4^level triangles with an uneven skin."""
    body = trimesh.creation.icosphere(subdivisions=level)
    body.vertices *= 1 + 0.1 * np.sin(5 * body.vertices.sum(axis=1, keepdims=True))
    body.vertices *= [0.3, 0.25, 0.9]
    return body


def best(task, rounds=ROUNDS):
    """Shortest of several runs, seconds: the least disturbed by whatever else runs."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        task()
        times.append(time.perf_counter() - start)
    return min(times)


def main():
    rng = np.random.default_rng(1)
    eye = np.tile([0.0, -5.0, 0.5], (RAYS, 1))
    point = np.stack([rng.uniform(-1.1, 1.1, RAYS), rng.uniform(2, 4, RAYS), rng.uniform(-1.6, 1.3, RAYS)], axis=1)
    direction = (point - eye) / np.linalg.norm(point - eye, axis=1)[:, None]
    window = np.full(RAYS, WINDOW_RAD)
    print(f"{RAYS} lines of sight; milliseconds, and how many times Embree's and trimesh's time")
    for level in (2, 4, 6):
        body = a_body(level)
        tree, embree, own = build_bvh(body.vertices, body.faces), Embree(body), Own(body)
        hit = crossed(tree, eye, point)
        differ = np.sum(hit != embree.intersects_any(eye, direction))
        assert differ <= 5, differ  # all points lie behind the body; single precision at its silhouette
        few = eye[:SAMPLE], direction[:SAMPLE]
        assert np.sum(hit[:SAMPLE] != own.intersects_any(*few)) == 0
        build = best(lambda body=body: build_bvh(body.vertices, body.faces))
        ours = best(lambda tree=tree: crossed(tree, eye, point))
        edges = best(lambda tree=tree, hit=hit: grazed(tree, eye[~hit], point[~hit], window[~hit]))
        theirs = best(lambda embree=embree: embree.intersects_any(eye, direction))
        slow = best(lambda own=own, few=few: own.intersects_any(*few), rounds=1) * RAYS / SAMPLE
        print(
            f"{len(body.faces):6d} triangles, {hit.mean():.0%} hit: build {build * 1e3:.1f}, cross {ours * 1e3:.0f}, "
            f"window {edges * 1e3:.0f} | Embree {theirs * 1e3:.0f}: {ours / theirs:.1f} x | "
            f"trimesh {slow * 1e3:.0f}: {ours / slow:.4f} x"
        )


if __name__ == "__main__":
    main()
