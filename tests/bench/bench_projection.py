"""Projection of 2,400 points over 240 frames, against cv2.projectPoints called once per frame.

    PYTHONPATH=engine python tests/bench/bench_projection.py

Prints times and their ratio (below 1: faster than OpenCV); nothing is asserted on time. The results are compared first.
"""

import time

import cv2
import numpy as np
from scatterproof.camera.axes import from_pan_tilt_roll
from scatterproof.camera.lens import cam_from_world, image_velocity, project
from scatterproof.camera.track import CameraTrack

FRAMES, POINTS, ROUNDS = 240, 2400, 15
LENSES = {
    "straight": np.zeros(5),
    "k1, k2": np.array([-0.1, 0.02, 0, 0, 0]),
    "all five": np.array([-0.1, 0.02, 0.0006, -0.0004, 0.003]),
}


def a_track(distortion):
    amount = np.linspace(0, 1, FRAMES)[:, None]
    at = [0.5, -8.0, 1.5] + amount * [0.4, 3.0, 0.5]
    return CameraTrack(
        frame=np.arange(FRAMES),
        world_from_cam=from_pan_tilt_roll(at, amount * [0.1, -0.05, 0.02]),
        focal_px=np.tile([2100.0, 2150.0], (FRAMES, 1)),
        centre_px=np.array([959.5, 399.5]),
        size_px=np.array([1920, 800]),
        distortion=distortion,
        delivery_px=np.array([-0.5, -0.5, 1919.5, 799.5]),
        delivery_scale=1.0,
        focal_mm=np.full(FRAMES, 32.0),
        focus_m=np.full(FRAMES, 4.0),
        stop=np.full(FRAMES, 4.0),
        exposure_s=1 / 48,
        rate=24.0,
        read_out_s=0.0,
    )


def with_opencv(points, poses, track):
    out = np.empty((FRAMES, len(points), 2))
    for row, (rotation, translation, (fx, fy)) in enumerate(poses):
        matrix = np.array([[fx, 0, track.centre_px[0]], [0, fy, track.centre_px[1]], [0, 0, 1]])
        out[row] = cv2.projectPoints(points, rotation, translation, matrix, track.distortion)[0][:, 0]
    return out


def best(task, *arguments):
    """Shortest of several runs, milliseconds: the least disturbed by whatever else runs."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        task(*arguments)
        times.append(time.perf_counter() - start)
    return min(times) * 1e3


def main():
    cv2.setNumThreads(1)
    points = np.random.default_rng(1).uniform([-4, 0, 0], [4, 4, 4], (POINTS, 3))
    print(f"{FRAMES} frames x {POINTS} points, one thread, ms")
    print(f"{'lens':>10}  OpenCV  project  ratio  image_velocity  ratio to OpenCV")
    for name, distortion in LENSES.items():
        track = a_track(distortion)
        views = zip(cam_from_world(track), track.focal_px, strict=True)
        poses = [(cv2.Rodrigues(view[:, :3])[0], view[:, 3], focal) for view, focal in views]
        theirs = with_opencv(points, poses, track)
        np.testing.assert_allclose(project(points, track)[0], theirs, rtol=0, atol=1e-6)
        opencv = best(with_opencv, points, poses, track)
        ours, speed = best(project, points, track), best(image_velocity, points, track)
        print(f"{name:>10}  {opencv:6.1f}  {ours:7.1f}  {ours / opencv:5.2f}  {speed:14.1f}  {speed / opencv:15.2f}")


if __name__ == "__main__":
    main()
