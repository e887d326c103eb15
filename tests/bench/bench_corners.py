"""Covariances of all corners of 400 markers over 240 frames, against cv2.projectPoints of the same points.

    PYTHONPATH=engine python tests/bench/bench_corners.py

Prints times and their ratio to one projection, nothing is asserted on time. A pan over a wall 6 m away; corners in the
gate are wanted, their blur is their own motion at a shutter of 180 degrees and the defocus given.
"""

import time

import cv2
import numpy as np
from scatterproof.sightings.corner import corner_covariances, deformation_between, deformation_drift
from scatterproof.stage.shapes import random_polygons

FRAMES, ROUNDS = 240, 5
MARKERS = {5: 130, 6: 140, 7: 80, 8: 50}
SCENES = [  # focal length px, marker m, defocus px, pan in radians over the shot
    (2100, 0.15, 1.5, 0.15),
    (5265, 0.15, 1.5, 0.15),
    (5265, 0.15, 8.0, 0.15),
    (5265, 0.15, 1.5, 0.6),
    (2100, 0.06, 1.5, 0.15),
    (2100, 0.06, 20.0, 0.15),
]


def a_wall(size_m):
    """World points (N, 3) of the markers' corners, and their columns by number of corners."""
    rng = np.random.default_rng(0)
    rings, points, at = [], [], 0
    for k, count in MARKERS.items():
        centre = np.concatenate([rng.uniform([-4, -2], [4, 2], (count, 2)), rng.uniform(5.5, 6.5, (count, 1))], axis=1)
        outline = size_m * random_polygons(k, [k], count)
        flat = np.concatenate([outline, np.zeros((count, k, 1))], axis=-1)
        points.append((centre[:, None] + flat).reshape(-1, 3))
        rings.append(at + np.arange(count * k).reshape(count, k))
        at += count * k
    return np.concatenate(points), rings


def best(task):
    """Least processor time of several runs, seconds, and what it gave."""
    times, result = [], None
    for _ in range(ROUNDS):
        start = time.process_time()
        result = task()
        times.append(time.process_time() - start)
    return min(times), result


def main():
    cv2.setNumThreads(1)
    lens = np.array([-0.1, 0.02, 0.0006, -0.0004, 0.003])
    print(f"{FRAMES} frames x {sum(MARKERS.values())} markers, one thread; ratios to one projection by OpenCV")
    print("focal px  marker px  defocus px  motion px  corners  projection ms  corners ms  ratio  ns each  tracked")
    for focal, size_m, defocus, pan in SCENES:
        points, rings = a_wall(size_m)
        matrix = np.array([[focal, 0, focal / 2], [0, focal, focal / 4], [0, 0, 1.0]])

        def project(points=points, matrix=matrix, pan=pan):
            pose = [
                (np.array([0.01, pan * f / FRAMES, 0.02]), np.array([0.01 * f, 0, -0.01 * f])) for f in range(FRAMES)
            ]
            return np.stack([cv2.projectPoints(points, r, t, matrix, lens)[0][:, 0] for r, t in pose])

        theirs, uv = best(project)
        motion = np.gradient(uv, axis=0) / 2
        wanted = ((uv > 0) & (uv < [focal, focal / 2])).all(axis=-1)
        ours, (_, held) = best(
            lambda uv=uv, rings=rings, wanted=wanted, motion=motion, defocus=defocus: corner_covariances(
                uv, rings, wanted, 25.0, 2.0, defocus, motion
            )
        )
        print(
            f"{focal:8d}  {size_m * focal / 6:9.0f}  {defocus:10g}"
            f"  {np.median(np.hypot(*motion[wanted].T)):9.1f}  {wanted.sum():7d}  {theirs * 1e3:13.0f}"
            f"  {ours * 1e3:10.0f}  {ours / theirs:5.2f}  {ours / wanted.sum() * 1e9:7.0f}"
            f"  {held.sum() / wanted.sum():7.2f}"
        )
    outline = uv[:-1][:, rings[1][:, :]].reshape(-1, 6, 2)[:20000]
    bend = deformation_between(outline, uv[1:][:, rings[1][:, :]].reshape(-1, 6, 2)[:20000])
    drift, _ = best(lambda: deformation_drift(outline, bend, 2.0))
    print(f"deformation drift: {drift / len(outline) * 1e9:.0f} ns a corner")


if __name__ == "__main__":
    main()
