"""Where the linear forecast of slide holds: its ratio to simulated solves, against the solvability flag.

    OPENBLAS_NUM_THREADS=1 PYTHONPATH=engine python tests/bench/bench_solvability.py [--takes 60]

A push of 1.5 m before a wall, with more or less sway to the side, with and without two stands, focal length known or
not; 0.2 px white noise. Takes are adjusted from the truth, so that a failed start does not blur the picture.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from scatterproof.solve.adjustment import Rule, adjust
from scatterproof.solve.align import align_scenes
from scatterproof.solve.covariance import inform, solvability
from scatterproof.solve.network import Scene, Tracks, Unknowns
from scatterproof.solve.slide import measure_slide, slide
from staged_shot import CENTRE_PX, FOCAL_PX, look_at, seen_by

ACTION = np.array([0.2, -3.0, 1.0])
NOISE_PX = 0.2


def push(sway_m: float, stands: bool) -> Scene:
    """40 frames towards a wall 6 m away, two stands at 3 m if wanted."""
    rng = np.random.default_rng(0)
    t = np.linspace(0, 1, 40)
    centre = np.column_stack([sway_m * np.sin(2 * t - 1), -6 + 1.5 * t, 1.6 + 0.3 * sway_m * np.cos(3 * t)])
    points = np.column_stack([rng.uniform(-2.5, 2.5, 50), np.zeros(50), rng.uniform(0.3, 3, 50)])
    if stands:
        bands = np.tile(np.linspace(0.4, 2.6, 6), 2)
        near = np.column_stack([np.repeat([-0.8, 0.9], 6), np.repeat([-2.5, -3.0], 6), bands])
        points = np.vstack([points, near])
    return Scene(look_at(centre, np.array([0.0, 0.5, 1.5])), points, FOCAL_PX, CENTRE_PX)


def main() -> None:
    """Print one row per case, sorted by the flag."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--takes", type=int, default=60)
    takes = parser.parse_args().takes
    rows = []
    for sway in (0.01, 0.03, 0.1, 0.3, 1.0):
        for stands in (False, True):
            for focal in ("fixed", "shared"):
                truth, unknowns = push(sway, stands), Unknowns(focal)
                clean = seen_by(truth)
                information = inform(Tracks.from_grid(clean, covariance_px2=NOISE_PX**2), truth, unknowns)
                name = f"sway {sway:4.2f} m, {'stands' if stands else 'wall  '}, focal {focal:6s}"
                if information is None:
                    rows.append((0.0, name, np.nan, np.nan, 0))
                    continue
                wanted = slide(information, ACTION)
                found, failed = [], 0
                for take in range(takes):
                    noise = np.random.default_rng(take).normal(0, NOISE_PX, clean.shape)
                    tracks = Tracks.from_grid(clean + noise, covariance_px2=NOISE_PX**2)
                    done = adjust(tracks, truth, unknowns, rule=Rule(0, 0.01, 200))
                    failed += not done.converged
                    found.append(measure_slide(align_scenes(done.scene, truth).move(done.scene), truth, ACTION)[0])
                drift = np.sqrt(np.mean(np.sum(np.square(found), axis=-1), axis=0))
                ratio = float(np.median(wanted.drift_sigma_px / drift))
                rows.append((solvability(information), name, float(np.median(wanted.drift_sigma_px)), ratio, failed))
    print("flag       case                                    drift, px   forecast / simulated   not converged")
    for flag, name, drift, ratio, failed in sorted(rows):
        print(f"{flag:8.1e}   {name:38s} {drift:9.3f}   {ratio:20.2f}   {failed:d} of {takes}")


if __name__ == "__main__":
    main()
