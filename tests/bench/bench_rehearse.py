"""Rehearse a large stage, against a plain loop over points with OpenCV and trimesh doing the same work in the same run.

    PYTHONPATH=engine python tests/bench/bench_rehearse.py [--markers 400] [--frames 240] [--loop-frames 6]

The loop projects every corner with cv2.projectPoints, tests gate, facing and edge length, and asks trimesh (embree
where it is installed) whether a blocker's mesh is in the way, point by point; then fits a homography per frame with
cv2.findHomography. It runs on some of the frames and its time is scaled to all of them.
Prints a ratio; asserts nothing about time. It does check that both find the same features.
"""

from __future__ import annotations

import argparse
import resource
import time

import cv2
import numpy as np
import trimesh
from scatterproof.camera.track import camera_track
from scatterproof.plan.criteria import criteria_of
from scatterproof.plan.model import (
    Blocker,
    Camera,
    Floor,
    MarkerSet,
    Move,
    Paint,
    PathKey,
    Plan,
    Shot,
    Stage,
    Stand,
    Wall,
)
from scatterproof.readiness.rehearse import rehearse_shot
from scatterproof.sightings.sighting import BLURRED, HIDDEN, MERGED, PALE, SEEN, SHORT, UNCERTAIN
from scatterproof.stage.layout import build_layout


def big_plan(markers: int, frames: int) -> Plan:
    """A wall and a floor full of markers, three performers who cross, a push with a little lens distortion."""
    wall_share = markers * 5 // 8
    area = max(1.0, markers / 400)
    half, height = 8.0 * area**0.5, 6.0 * area**0.5
    sets = [
        MarkerSet(name=name, surfaces=(surface,), count=count, size=(0.10, 0.16), seed=row)
        for row, (name, surface, count) in enumerate(
            (("wall marks", "wall", wall_share), ("floor marks", "floor", markers - wall_share))
        )
    ]
    performers = [
        Blocker(
            name=f"performer {i}",
            size=(0.5, 0.5, 1.8),
            keys=(PathKey(frame=1, at=(-3 + i, 1 + i, 0)), PathKey(frame=frames, at=(3 - i, 2 - 0.5 * i, 0))),
        )
        for i in range(3)
    ]
    return Plan(
        name="bench",
        paints=(
            Paint(name="screen", srgb=(60, 140, 70)),
            Paint(name="marker", srgb=(71, 164, 83)),  # half a stop lighter
            Paint(name="band", srgb=(198, 45, 132)),
        ),
        stage=Stage(
            floors=(Floor(x=(-half, half), y=(-6, 6)),),
            walls=(Wall(name="wall", start=(-half, 6), end=(half, 6), height=height),),
        ),
        markers=tuple(sets),
        stands=(Stand(name="stand", at=(1.5, 2.0), height=2.2, bands=(0.5, 1.0, 1.5, 2.0)),),
        blockers=tuple(performers),
        cameras=(
            Camera(
                name="camera",
                film_back=(24.892, 18.669),
                resolution=(4096, 3072),
                delivery_aspect=1.85,
                focal_length=24.0,
                distortion=(-0.03, 0.004, 0.0002, -0.0001, 0.0),
            ),
        ),
        shots=(
            Shot(
                name="push",
                camera="camera",
                frames=(1, frames),
                move=Move(kind="push", start=(0.3, -5.5, 1.7), aim=(0, 6, 1.9), distance=2.5),
            ),
        ),
    )


def plain_loop(plan: Plan, layout, rows: np.ndarray) -> np.ndarray:
    """(len(rows), N) bool by loops over single points: in the gate, facing, large enough, not behind a blocker."""
    shot = plan.shots[0]
    track, limits = camera_track(plan, shot), criteria_of(plan, shot)
    features = layout.features
    width, height = track.size_px
    seen = np.zeros((len(rows), len(features)), bool)
    for out, row in enumerate(rows):
        pose = track.world_from_cam[row]
        rotation, _ = cv2.Rodrigues(pose[:3, :3].T)
        shift = -pose[:3, :3].T @ pose[:3, 3]
        k = np.diag([*track.focal_px[row], 1.0])
        k[:2, 2] = track.centre_px
        solids = []
        for blocker in plan.blockers:
            a, b = blocker.keys
            share = (track.frame[row] - a.frame) / (b.frame - a.frame)
            mesh = trimesh.creation.capsule(height=blocker.size[2] - blocker.size[0], radius=blocker.size[0] / 2)
            mesh.apply_translation(np.array(a.at) + share * np.subtract(b.at, a.at) + [0, 0, blocker.size[2] / 2])
            solids.append(mesh)
        scene = trimesh.util.concatenate(solids)

        def image(point, rotation=rotation, shift=shift, k=k):
            return cv2.projectPoints(point[None], rotation, shift, k, track.distortion)[0][0, 0]

        for column in range(len(features)):
            point = features.position_m[column]
            away = point - pose[:3, 3]
            if away @ pose[:3, 2] <= 0:
                continue
            x, y = image(point)
            edge = limits.window / 2
            if not (edge - 0.5 <= x <= width - 0.5 - edge and edge - 0.5 <= y <= height - 0.5 - edge):
                continue
            distance = np.linalg.norm(away)
            normal = features.normal[column]
            if normal.any() and -(away @ normal) / distance < np.cos(limits.steepest):
                continue
            neighbours = (features.before_m[column], features.after_m[column])
            if normal.any() and min(np.hypot(*(image(p) - (x, y))) for p in neighbours) < limits.smallest_edge:
                continue
            hit = scene.ray.intersects_location(pose[None, :3, 3], away[None] / distance, multiple_hits=False)[0]
            seen[out, column] = not (len(hit) and np.linalg.norm(hit[0] - pose[:3, 3]) < distance - 1e-3)
        here = np.flatnonzero(seen[out])
        if len(here) > 4:
            now = np.array([image(features.position_m[c]) for c in here])
            other = track.world_from_cam[0]
            turn, _ = cv2.Rodrigues(other[:3, :3].T)
            before = cv2.projectPoints(
                features.position_m[here], turn, -other[:3, :3].T @ other[:3, 3], k, track.distortion
            )[0][:, 0]
            cv2.findHomography(before, now)
    return seen


def main() -> None:
    """Run both and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--markers", type=int, default=400)
    parser.add_argument("--frames", type=int, default=240)
    parser.add_argument("--loop-frames", type=int, default=6)
    options = parser.parse_args()
    plan = big_plan(options.markers, options.frames)
    start = time.perf_counter()
    layout = build_layout(plan)
    print(f"layout: {len(layout.markers.name)} markers, {len(layout.features)} features, "
          f"{time.perf_counter() - start:.2f} s")  # fmt: skip
    times = []
    for _ in range(3 if options.frames <= 400 else 1):
        start = time.process_time()
        steps = rehearse_shot(plan, layout, plan.shots[0])
        while True:
            try:
                next(steps)
            except StopIteration as end:
                rehearsal = end.value
                break
        times.append(time.process_time() - start)
    ours = float(np.median(times))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"rehearsal of {options.frames} frames: {ours:.2f} s CPU, peak memory of the process {peak:.0f} MB")
    if not options.loop_frames:
        return
    rows = np.linspace(0, options.frames - 1, options.loop_frames).astype(int)
    start = time.process_time()
    theirs_seen = plain_loop(plan, layout, rows)
    theirs = (time.process_time() - start) * options.frames / len(rows)
    # the loop knows nothing of contrast, softness, neighbours and the length of tracks
    ours_seen = np.isin(rehearsal.sightings.why[rows], (SEEN, MERGED, PALE, BLURRED, UNCERTAIN, SHORT))
    print(f"plain loop: {theirs:.1f} s CPU for all frames (ran {len(rows)}); ratio {theirs / ours:.0f}x")
    # ours also drops what is within a tracking window of a silhouette
    close = (rehearsal.sightings.why[rows] == HIDDEN) & theirs_seen
    differ = (ours_seen != theirs_seen) & ~close
    print(f"same features: {differ.sum()} of {differ.size} differ; {close.sum()} more are near a silhouette")


if __name__ == "__main__":
    main()
