"""Speed of advice: a heat map against solving anew for every place, and an ensemble of takes against rehearsals.

    PYTHONPATH=engine python tests/bench/bench_advise.py [--places 2000] [--solves 10] [--takes 500]

Three figures, all from one run, in seconds of the clock: (1) slide at the key frames with each stand that is seen, by
low-rank updates, against the same key frames factored anew for each: the same numbers; (2) the whole heat map
(sighting, parallax and cleanup too), against a solve of all frames, and a rehearsal, with each stand; (3) an ensemble
of straying takes of a shot of 240 frames, against single rehearsals of it. What would take too long is timed on some
and multiplied. Asserts nothing.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np
from scatterproof.advise.candidates import ground_of, pattern_stand, stand_candidates, with_things
from scatterproof.advise.gain import Sighted, extra_points, gains, shot_core, sighted
from scatterproof.advise.takes import WAYS, scorer_of
from scatterproof.advise.tolerance import normal_takes
from scatterproof.advise.update import Extra, changed, core_of, delta_of, key_rows, standing_still
from scatterproof.plan.model import Plan
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.prove.predict import predict
from scatterproof.readiness.rehearse import Rehearsal, rehearse
from scatterproof.sightings.sighting import Sightings

FRAMES = 240


def shot_of_240() -> Rehearsal:
    """LY050 of an example, a travelling shot, slowed down to 240 frames."""
    plan: Plan = parse_plan(example("lantern-yard")).plan
    shot = next(shot for shot in plan.shots if shot.name == "LY050")
    first, last = shot.frames
    keys = tuple(
        replace(key, frame=first + round((key.frame - first) * (FRAMES - 1) / (last - first))) for key in shot.keys
    )
    longer = replace(shot, frames=(first, first + FRAMES - 1), keys=keys)
    plan = replace(plan, shots=tuple(longer if s.name == shot.name else s for s in plan.shots))
    return next(rehearse(plan, [shot.name]))


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--places", type=int, default=2000)
    asked.add_argument("--solves", type=int, default=10)
    asked.add_argument("--takes", type=int, default=500)
    given = asked.parse_args()
    r = shot_of_240()
    plan, name = r.plan, r.shot.name
    grid = given.places
    while True:  # keep-outs take some places away
        ground = ground_of(plan, r.layout, places=grid)
        if (free := int((ground.why == 0).sum())) >= given.places:
            break
        grid = int(grid * max(1.02, given.places / max(free, 1)))
    keep = np.flatnonzero(ground.why == 0)[: given.places]
    ground = replace(ground, place_m=ground.place_m[keep], why=ground.why[keep])
    candidates = stand_candidates(plan, ground, pattern_stand(plan))
    count = len(candidates.names)
    print(f"{name}: {len(r.track)} frames, {len(r.layout.features)} features, {r.network.seen.shape[1]} tracks")

    rows = key_rows(len(r.track))
    found = sighted(r, candidates, rows)
    seen = np.unique(found.group[found.seen.any(axis=0)])
    part = np.isin(found.group, seen)
    own = {field: getattr(found.sightings, field)[:, part] for field in Sightings.__slots__}
    group = np.searchsorted(seen, found.group[part])
    found = Sighted(Sightings(**own), group, found.point_m[part], found.run[:, part],
                    found.covariance_px2[:, part], found.beside_px[:, part])  # fmt: skip
    some = np.linspace(0, len(seen) - 1, given.solves).astype(int).tolist()

    start = time.perf_counter()
    core = shot_core(r, rows)
    assert core is not None
    extra = extra_points(found, len(seen))
    changed(core, delta_of(core, extra))
    update = (time.perf_counter() - start) / len(seen)
    start = time.perf_counter()
    for i in some:
        core_again(r, rows, extra, i)
    again = (time.perf_counter() - start) / len(some)
    print(f"1. slide at {len(rows)} key frames, one of {len(seen)} stands that are seen: {update * 1e3:.2f} ms each by")
    print(f"   updates, {again * 1e3:.1f} ms each factored anew: {again / update:.0f}x")

    start = time.perf_counter()
    gains(r, candidates)
    map_s = time.perf_counter() - start
    start = time.perf_counter()
    for _ in range(3):
        predict(r.network, thorough=False)
    solve = (time.perf_counter() - start) / 3
    start = time.perf_counter()
    for i in some:
        next(rehearse(with_things(plan, candidates, [int(seen[i])]), [name]))
    one = (time.perf_counter() - start) / len(some)
    print(f"2. heat map of {count} stands: {map_s:.2f} s; one solve of all frames {solve:.2f} s, {count} of them take")
    print(
        f"   {count * solve / map_s:.0f}x as long; a rehearsal {one:.2f} s, {count} of them {count * one / map_s:.0f}x"
    )

    start = time.perf_counter()
    next(rehearse(plan, [name]))
    single = time.perf_counter() - start
    start = time.perf_counter()
    scorer = scorer_of(r)
    states = [part.state for part in scorer.scored(normal_takes(given.takes, list(WAYS), 1))]
    takes_s = time.perf_counter() - start
    firm = (np.concatenate(states) == 0).all(axis=1).mean()
    print(
        f"3. {given.takes} takes of {len(r.track)} frames: {takes_s:.1f} s, {takes_s / single:.1f} rehearsals' time",
        end="",
    )
    print(f" ({single:.2f} s each); {firm:.0%} firm")


def core_again(r: Rehearsal, rows: np.ndarray, extra: Extra, i: int) -> None:
    """The same key frames with one candidate's points among the tracks, from nothing."""
    mine = np.flatnonzero(extra.group == i)
    net, frames = r.network, len(r.track)
    seen, uv = np.zeros((frames, len(mine)), bool), np.zeros((frames, len(mine), 2))
    covariance = np.zeros((frames, len(mine), 2, 2))
    seen[rows], uv[rows], covariance[rows] = extra.seen[:, mine], extra.uv_px[:, mine], extra.covariance_px2[:, mine]
    more = replace(
        net, truth=net.truth.with_parts(points_m=np.concatenate([net.truth.points_m, extra.point_m[mine]])),
        feature=np.concatenate([net.feature, np.zeros(len(mine), int)]), seen=np.hstack([net.seen, seen]),
        uv_px=np.concatenate([net.uv_px, np.where(seen[..., None], uv, 0.0)], axis=1),
        covariance_px2=np.concatenate([net.covariance_px2, covariance], axis=1),
    )  # fmt: skip
    core = core_of(more, rows)
    if core is not None:
        standing_still(core)


if __name__ == "__main__":
    main()
