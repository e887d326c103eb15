"""Track files as a tracker writes them, right and spoilt."""

from __future__ import annotations

import csv
from functools import cache

import numpy as np
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.prove.recorded import feature_names
from scatterproof.prove.takes import simulated_tracks
from scatterproof.readiness.rehearse import rehearse

HEADER = ["feature", "frame", "x", "y"]


@cache
def rehearsal(name="LY030"):
    return next(rehearse(parse_plan(example("lantern-yard")).plan, [name]))


def rows_of(name="LY030", seed=1, sigma=False):
    """A simulated take as a file would hold it, tracks named as the plan's features."""
    r = rehearsal(name)
    tracks, source = simulated_tracks(r.network, seed)
    names = feature_names(r.layout)
    first = {}
    label = [names[f] if first.setdefault(f, i) == i else f"{names[f]} again {i}"
             for i, f in enumerate(r.network.feature[source].tolist())]  # fmt: skip
    order = np.lexsort((tracks.frame, tracks.point))
    own = np.sqrt(np.trace(r.network.covariance_px2[tracks.frame, source[tracks.point]], axis1=1, axis2=2) / 2)
    return [
        [
            label[tracks.point[k]],
            int(tracks.frame[k] + r.track.frame[0]),
            *np.round(tracks.uv_px[k], 4).tolist(),
            *([round(own[k], 5)] if sigma else []),
        ]
        for k in order
        if ((tracks.uv_px[k] > 0) & (tracks.uv_px[k] < r.track.size_px - 1)).all()
    ]


def written(path, rows, header=HEADER):
    with path.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream).writerows([header, *rows])
    return path


def spoil(change, header=HEADER):
    def make(rows):
        return header, change([list(row) for row in rows])

    return make


def with_row(index, **cells):
    def change(rows):
        for key, value in cells.items():
            rows[index][HEADER.index(key)] = value
        return rows

    return change


def on_one_line(rows):
    return [[feature, frame, 100 + 30 * i, 200 + 20 * i] for i in range(40) for frame in (1001, 1002)
            for feature in [f"f{i}"]]  # fmt: skip


SPOILT = {
    "nan": (spoil(with_row(3, x="nan")), "line 5: found x = nan"),
    "infinite": (spoil(with_row(3, y="inf")), "line 5: found y = inf"),
    "text": (spoil(with_row(3, y="left")), "line 5: found y = left"),
    "empty": (spoil(with_row(3, y="")), "line 5: found y = missing"),
    "fraction of a frame": (spoil(with_row(2, frame="1003.5")), "line 4: found frame 1003.5"),
    "frame out of range": (spoil(with_row(2, frame="2000")), "expected a whole number from 1001 to 1072"),
    "outside the gate": (spoil(with_row(2, x="4096")), "-0.5 to 4095.5: the gate is 4096 x 3072 px"),
    "twice": (spoil(lambda rows: [*rows[:6], rows[5], *rows[6:]]), "again, as in line 7"),
    "unordered": (spoil(lambda rows: [rows[1], rows[0], *rows[2:]]), "rising order"),
    "no feature": (spoil(with_row(2, feature=" ")), "line 4: found no feature"),
    "two features": (
        spoil(lambda rows: [row for row in rows if row[0] in {r[0] for r in rows[:1] + rows[-1:]}]),
        "features: found 2; expected at least 8",
    ),
    "one line": (spoil(on_one_line), "all on one line in every frame"),
    "half size": (spoil(lambda rows: [[a, b, x / 2, y / 2] for a, b, x, y in rows]), "tracked at another resolution?"),
    "no rows": (spoil(lambda rows: []), "rows: found none"),
    "no header": (spoil(lambda rows: rows[1:], ["left", "1001", "3", "4"]), "line 1: found left, 1001, 3, 4"),
    "column twice": (spoil(lambda rows: rows, ["feature", "frame", "x", "x"]), "the columns feature, frame, x, y"),
    "cells": (spoil(lambda rows: [*rows[:4], [*rows[4], 1], *rows[5:]]), "line 6: found 5 cells; expected 4"),
    "sigma": (
        spoil(lambda rows: [[*row, 0 if i == 1 else 0.1] for i, row in enumerate(rows)], [*HEADER, "sigma"]),
        "line 3: found sigma = 0",
    ),
}
