"""Takes of the example plans' shots, solved from nothing, against the predicted slide.

    PYTHONPATH=engine:tests/support python tests/bench/bench_takes.py [--seeds 200] [--errors white] [--shot NAME]

A line per shot: its verdict, how many takes solved, simulated over predicted slide (medians over frames), and what 95
of 100 takes stay below in the worst frame. The last line is the median over all firm shots where the prediction says
that it holds. 200 seeds of all shots take some hours of one core for either kind of errors; the table grows with every
ten.
"""

import argparse

import numpy as np
from example_takes import ERRORS, rows

HEAD = """
| shot | verdict | holds | solved | drift ratio | jitter ratio | worst drift 95 | worst jitter 95 |
|---|---|---|---|---|---|---|---|"""


def table(all_rows):
    print(HEAD)
    ratios = []
    for row in all_rows:
        proof = row.proven
        holds = proof.prediction.linear
        ratios += [proof.ratios] if holds and row.state == "firm" else []
        worst = [np.nanmax(v) if np.isfinite(v).any() else np.nan for v in (proof.takes.drift_95_px,
                                                                           proof.takes.jitter_95_px)]  # fmt: skip
        print(f"| {proof.name} | {row.state} | {'yes' if holds else 'no'} | {proof.takes.solved} of {len(row.takes)} "
              f"| {proof.ratios[0]:.2f} | {proof.ratios[1]:.2f} | {worst[0]:.3g} px | {worst[1]:.3g} px |")  # fmt: skip
        if proof.takes.failures:
            print(f"|   | {proof.takes.failures} |")
    if ratios:
        drift, jitter = np.median(ratios, axis=0)
        print(f"median over {len(ratios)} firm shots: drift {drift:.3f}, jitter {jitter:.3f}", flush=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--errors", choices=sorted(ERRORS), action="append")
    parser.add_argument("--shot", action="append", default=[])
    options = parser.parse_args()
    for errors in options.errors or ERRORS:
        every = list(rows(errors, shots=options.shot))
        last = options.first + options.seeds
        for first in range(options.first, last, 10):
            seeds = range(first, min(first + 10, last))
            for row in every:
                row.solve(seeds)
            print(f"\n{errors} errors, {len(every[0].takes)} takes of each shot")
            table(every)


if __name__ == "__main__":
    main()
