"""Corners in synthetic pictures, tracked by OpenCV's pyramidal Lucas-Kanade, against the engine's prediction.

    PYTHONPATH=engine python tests/outside/corner_bench.py [--full] [--seed N]

Four sets of pictures, each matched between noisy, rounded copies over 200 seeds of noise:

* ``same``: a parallelogram's corner of 15 to 165 degrees, edges from 6 px, half a stop up or down from code 80 to 190,
  noise 1 to 3 codes, defocus 0 to 10 px, motion 0 to 16 px, any direction and phase, window 11, 15 or 21; square pixels
  filled exactly, blurred by a true disc and a true line; first and second frame are copies of one picture;
* ``moved``: the same, the second frame rendered anew after a move of up to a pixel each way;
* ``other``: pictures of another kind: thrown samples, another pixel window, shading, sRGB encoding after the blur, real
  markers (5 to 8 corners, crosses, squares, triangles) of 8 to 60 px, tilted, and any of their corners;
* ``neighbours``: as ``other``, with a second marker beside the first, about 2 px away.

Measured is the larger axis of the matches' covariance. The tracker holds a corner where not more than 2 of 100 matches
miss by more than a pixel. Clear cases are those whose measured sigma is a quarter below the limit or a third above it.
--full: 1200 pictures of the first two sets and 400 of the others, some ten minutes; without: a tenth of that.
"""

import argparse
import sys
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from corner_cases import MOST_MISSED, SETS, judge, run


def strata(outcomes):
    """Median and spread of the ratio, by what the corner is like."""
    held = [o for o in outcomes if o.missed <= MOST_MISSED]
    ratio = np.array([o.sigma / o.predicted for o in held])
    traits = {
        "defocus px": ([o.corner.disc for o in held], (0, 0.01, 3, 6, 10)),
        "motion px": ([np.hypot(*o.corner.motion) for o in held], (0, 0.01, 4, 8, 16)),
        "window px": ([o.corner.window for o in held], (11, 15, 21, 22)),
        "noise codes": ([o.corner.noise for o in held], (1, 2, 3, 4)),
        "sigma px": ([o.predicted for o in held], (0, 0.05, 0.1, 0.2, 0.4)),
    }
    for name, (value, edges) in traits.items():
        for low, high in pairwise(edges):
            inside = (np.array(value) >= low) & (np.array(value) < high)
            if inside.sum() >= 10:
                spread = np.percentile(ratio[inside], [5, 50, 95])
                yield f"{name} {low:g} to {high:g}", int(inside.sum()), *spread


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--seed", type=int, default=1, help="another one holds out other pictures and other noise")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    for kind, count in SETS.items():
        outcomes = run(kind, count if options.full else count // 10, options.seed)
        print(f"{kind}:", ", ".join(f"{name} {value:.3g}" for name, value in judge(outcomes).items()), flush=True)
        for name, n, low, middle, high in strata(outcomes) if options.full else ():
            print(f"    {name:24} n {n:4d}  median {middle:.3f}  5 to 95 % {low:.3f} to {high:.3f}")


if __name__ == "__main__":
    main()
