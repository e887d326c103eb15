"""How often and how fast surveys are matched: python tests/bench/bench_survey.py [trials] [scans].

Random layouts of 50 to 400 markers, 30 % missing, 20 % extra, 5 mm of noise, any axes, any scale; then scans of 100,000
points with 280 of 400 markers among them, half of the others on the surfaces. Nothing is asserted.
"""

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from scatterproof.survey.match import match_unlabelled
from scatterproof.survey.scan import match_scan
from survey_stage import KINDS, elsewhere, random_layout, survey_of

NOISE = 0.005


def patterns(trials):
    right, ambiguous, seconds = dict.fromkeys(KINDS, 0), 0, []
    for seed in range(trials):
        rng = np.random.default_rng(10_000 + seed)
        kind = KINDS[seed % len(KINDS)]
        plan = random_layout(rng, int(rng.integers(50, 401)), kind)
        points, truth = survey_of(rng, plan)
        survey, mirrored = elsewhere(rng, points)
        start = time.perf_counter()
        match = match_unlabelled(plan, survey, NOISE)
        seconds.append(time.perf_counter() - start)
        found = np.full(len(truth), -1)
        if match is not None:
            found[match.point] = match.target
            ambiguous += match.ambiguous
        there = truth >= 0
        wrong = ((found >= 0) & (found != truth)).sum()
        good = match is not None and not match.ambiguous and (found == truth)[there].mean() >= 0.95
        good = good and wrong <= max(1, len(plan) // 100) and (match.is_flat or match.mirrored == mirrored)
        right[kind] += good
        if not good:
            print(f"  seed {seed} ({kind}, {len(plan)}): {(found == truth)[there].mean():.3f} found, {wrong} wrong")
    total = sum(right.values())
    share = 100 * total / max(trials, 1)
    print(f"patterns: {total} of {trials} right ({share:.1f} %), {ambiguous} called ambiguous; {right}")
    if seconds:
        print(f"  {np.mean(seconds):.2f} s each, the slowest {max(seconds):.2f} s")


def scans(count):
    for seed in range(count):
        rng = np.random.default_rng(seed)
        plan = random_layout(rng, 400, "wall and floor")
        keep = rng.permutation(400)[:280]
        low, high = plan.min(axis=0), plan.max(axis=0)
        air = rng.uniform(low - 0.5, np.add(high, [0.5, 0.5, 1.5]), (50_000, 3))
        on = plan[rng.integers(0, 400, 50_000 - 280)]
        screen = on + rng.uniform(-0.6, 0.6, on.shape)
        wall = np.abs(on[:, 1] - high[1]) < 1e-9
        screen[wall, 1] = on[wall, 1] + 0.003 * rng.normal(size=wall.sum())
        screen[~wall, 2] = 0.003 * rng.normal(size=(~wall).sum())
        scan = np.concatenate([plan[keep] + NOISE * rng.normal(size=(280, 3)), air, screen])
        turn = rng.uniform(0, 6)
        cos, sin = np.cos(turn), np.sin(turn)
        moved = scan @ np.array([[cos, sin, 0], [-sin, cos, 0], [0, 0, 1]]) + [3, -7, 1]
        start = time.perf_counter(), time.process_time()
        match = match_scan(plan, moved, NOISE)
        wall_s, cpu_s = time.perf_counter() - start[0], time.process_time() - start[1]
        off = np.abs(match.plan_from_survey.apply(moved) - scan).max() if match else np.nan
        print(f"scan {seed}: {len(scan):,} points, {wall_s:.1f} s ({cpu_s:.1f} s CPU), {1000 * off:.1f} mm off")


if __name__ == "__main__":
    patterns(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
    scans(int(sys.argv[2]) if len(sys.argv) > 2 else 5)
