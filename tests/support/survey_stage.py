"""Random layouts, surveys of them and networks between their points, for tests of the survey."""

import numpy as np
from scatterproof.survey.adjust import Measures, Network

KINDS = ("wall", "wall and floor", "corner", "volume")


def random_turn(rng):
    w, x, y, z = (q := rng.normal(size=4)) / np.linalg.norm(q)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


def random_layout(rng, count, kind):
    """(count, 3) points at least 0.35 m apart, about one in 0.36 square metres, on one, two or three planes or free."""
    width = np.sqrt(count * 0.36 / (0.5 if kind == "wall" else 1.2))
    planes = {"wall": 1, "wall and floor": 2, "corner": 3}.get(kind, 0)
    points = np.empty((count, 3))
    done = 0
    while done < count:
        u, v = rng.uniform(size=2)
        where = [(width * u, 0.6 * width, 0.5 * width * v), (width * u, 0.6 * width * v, 0.0),
                 (0.0, 0.6 * width * u, 0.5 * width * v)]  # fmt: skip
        point = rng.uniform(size=3) * 0.7 * count ** (1 / 3) if not planes else np.array(where[rng.integers(planes)])
        if (((points[:done] - point) ** 2).sum(axis=1) > 0.35**2).all():
            points[done] = point
            done += 1
    return points


def survey_of(rng, plan, missing=0.3, extra=0.2, noise=0.005):
    """Points of a survey in shuffled order (N, 3), and which of the plan each is (N,), -1 for extra ones."""
    keep = rng.permutation(len(plan))[: round((1 - missing) * len(plan))]
    strays = round(extra * len(keep))
    near = plan[rng.integers(0, len(plan), strays)]
    near = near + 0.5 * rng.normal(size=near.shape) * (np.ptp(plan, axis=0) > 1e-6)
    points = np.concatenate([plan[keep] + noise * rng.normal(size=(len(keep), 3)), near])
    truth = np.concatenate([keep, np.full(strays, -1)])
    order = rng.permutation(len(points))
    return points[order], truth[order]


def elsewhere(rng, points, scaled=True):
    """The same points in axes of their own: turned, shifted, perhaps mirrored and scaled; and whether mirrored."""
    mirrored = bool(rng.random() < 0.5)
    turn = random_turn(rng) * ([-1, 1, 1] if mirrored else [1, 1, 1])
    scale = np.exp(rng.uniform(-7, 7)) if scaled else 1.0
    return scale * (points @ turn.T + 10 * rng.normal(size=3)), mirrored


def network(names, places, fixed, measured, sigma, planes=(), known_sigma=True):
    """A network of (kind, at, to, group, value) rows."""
    kind, at, to, group, value = (np.array(column) for column in zip(*measured, strict=True))
    told = tuple(f"{names[a]}-{names[b]}" for a, b in zip(at, to, strict=True))
    lifts = np.zeros((len(kind), 2))
    measures = Measures(kind, at, to, group, value, np.broadcast_to(sigma, kind.shape), lifts, told)
    places = np.asarray(places, float)
    fixed = np.broadcast_to(np.asarray(fixed, bool), places.shape)
    return Network(tuple(names), places, fixed, measures, tuple(planes), known_sigma)
