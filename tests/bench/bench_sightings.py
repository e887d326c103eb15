"""Sightings of about 2,400 corners over 240 frames behind three moving capsules, and what bounds their time.

    PYTHONPATH=engine python tests/bench/bench_sightings.py [--markers 400] [--frames 240]

Prints the shortest of several runs in seconds of the processor, which other work on the machine disturbs least, how the
sightings end, and the functions that take most of the time; asserts nothing.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import time
from pathlib import Path

import numpy as np
from bench_rehearse import big_plan
from scatterproof.camera.track import camera_track
from scatterproof.plan.criteria import criteria_of
from scatterproof.sightings.blockers import build_occluders
from scatterproof.sightings.photometry import looks_of
from scatterproof.sightings.sighting import WHY, Sightings
from scatterproof.sightings.visibility import sight_shot
from scatterproof.stage.layout import build_layout


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--markers", type=int, default=400)
    asked.add_argument("--frames", type=int, default=240)
    given = asked.parse_args()
    plan = big_plan(given.markers, given.frames)
    layout, shot = build_layout(plan), plan.shots[0]
    features, looks = layout.features, looks_of(plan, shot, layout)
    track = camera_track(plan, shot)
    occluders = build_occluders(plan, shot, track.frame, None)

    def run() -> Sightings:
        return list(sight_shot(features, track, occluders, criteria_of(plan, shot), looks))[-1][1]

    times = []
    for _ in range(7):
        start = time.process_time()
        whole = run()
        times.append(time.process_time() - start)
    each = min(times) / whole.why.size * 1e9
    print(f"{len(features)} features x {len(track)} frames: {min(times):.3f} s, {each:.0f} ns each")
    for word, count in zip(WHY, np.bincount(whole.why.ravel(), minlength=len(WHY)), strict=True):
        print(f"  {count / whole.why.size:6.1%} {word}")
    with cProfile.Profile() as profile:
        run()
    rows = pstats.Stats(profile).get_stats_profile().func_profiles
    total = sum(row.tottime for row in rows.values())
    for name, row in sorted(rows.items(), key=lambda item: -item[1].tottime)[:10]:
        print(f"  {row.tottime / total:4.0%} {name} ({Path(row.file_name).name})")


if __name__ == "__main__":
    main()
