"""Corners to be tracked: drawn, rendered, matched, predicted. tests/outside/corner_bench.py tells what the sets are."""

from dataclasses import dataclass
from functools import partial

import numpy as np
from corner_pictures import matches, painted, sampled, srgb_code
from scatterproof.sightings.corner import corner_covariance, corner_covariance_exact
from scatterproof.sources import TRACKED
from scatterproof.stage.shapes import plain_outline, random_polygons

SIZE, SEEDS = 96, 200
MOST_MISSED, CLEAR = 0.02, (0.75, 4 / 3)
SETS = {"same": 1200, "moved": 1200, "other": 400, "neighbours": 400}


@dataclass(frozen=True)
class Corner:
    """One picture to be tracked: outlines about the tracked corner (the first one's first), px; code values."""

    rings: tuple[np.ndarray, ...]
    screen: float
    step: float
    noise: float
    disc: float
    motion: np.ndarray
    window: int

    @property
    def outline(self):
        return np.concatenate(self.rings)

    @property
    def following(self):
        """What the engine needs to know two outlines apart."""
        if len(self.rings) == 1:
            return None
        first, second = (np.roll(np.arange(len(ring)), -1) for ring in self.rings)
        return np.concatenate([first, len(first) + second])


@dataclass(frozen=True)
class Outcome:
    """What was measured and predicted of one corner; sigmas are larger axes, px."""

    corner: Corner
    bias: float  # distance of the mean match from the truth
    missed: float  # share of matches off by more than a pixel, or given up
    sigma: float
    predicted: float
    exact: float
    trackable: bool


def draw_blur(rng):
    disc = rng.uniform(0, 10) * (rng.random() < 0.75)
    length, way = rng.uniform(0, 16) * (rng.random() < 0.7), rng.uniform(0, 2 * np.pi)
    return float(disc), length * np.array([np.cos(way), np.sin(way)])


def parallelogram(rng):
    """A corner with edges that end, or that are longer than any window."""
    angle, way = np.radians(rng.uniform(15, 165)), rng.uniform(0, 2 * np.pi)
    long = np.array([60.0, 60.0]) if rng.random() < 0.4 else np.exp(rng.uniform(np.log(6), np.log(30), 2))
    a = long[0] * np.array([np.cos(way), np.sin(way)])
    b = long[1] * np.array([np.cos(way + angle), np.sin(way + angle)])
    screen = rng.uniform(80, 190)
    # Half a stop in sRGB codes (IEC 61966-2-1): sqrt(2) in linear light.
    step = 0.155353 * (screen + 14.025) if rng.random() < 0.5 else -0.134463 * (screen + 14.025)
    disc, motion = draw_blur(rng)
    ring = np.array([np.zeros(2), a, a + b, b])
    return Corner(
        (ring,), screen, step, float(rng.choice([1, 2, 3])), disc, motion, int(rng.choice([11, 15, 15, 15, 21]))
    )


def marker(rng):
    """A real marker, tilted, about one of its corners."""
    kind = rng.choice(["random", "random", "square", "triangle", "thin cross", "thick cross"])
    if kind == "random":
        outline = random_polygons(int(rng.integers(5, 9)), [int(rng.integers(1 << 30))], 1)[0]
    else:
        outline = plain_outline(kind)
    tilt, turns = np.cos(rng.uniform(0, np.radians(75))), rng.uniform(0, 2 * np.pi, 2)
    turn = [np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]]) for t in turns]
    outline = np.exp(rng.uniform(np.log(8), np.log(60))) * outline @ turn[0] @ np.diag([1, tilt]) @ turn[1]
    first = rng.integers(len(outline))
    return np.roll(outline - outline[first], -first, axis=0)


def beside(ring, other, rng):
    """A second marker moved away from the tracked corner until the two are apart, and 2 px more."""
    way = rng.uniform(0, 2 * np.pi)
    way = np.array([np.cos(way), np.sin(way)])

    def apart(reach):
        return painted([ring + 100, other + reach * way + 100], 200, 0, (0, 0)).max() < 1.001

    return other + (next(reach for reach in np.arange(200.0) if apart(reach) and apart(reach + 2)) + 2) * way


def shaded_marker(rng, neighbour):
    """As the other sets have it: linear light, and its codes at the corner."""
    rings = [marker(rng)]
    if neighbour:
        rings.append(beside(rings[0], marker(rng), rng))
    window = int(rng.choice([11, 15, 15, 15, 21]))
    light = rng.uniform(0.08, 0.5)
    marked = light * (np.sqrt(2) if rng.random() < 0.5 else np.sqrt(0.5))
    disc, motion = draw_blur(rng)
    screen, paint = srgb_code(light), srgb_code(marked)
    return Corner(tuple(rings), screen, paint - screen, float(rng.choice([1, 2, 3])), disc, motion, window)


def picture(corner, kind, at, shade, rng):
    """Code values (SIZE, SIZE), not rounded, of a corner that lies at a place."""
    rings = [ring + at for ring in corner.rings]
    if kind in ("same", "moved"):
        return corner.screen + corner.step * painted(rings, SIZE, corner.disc, corner.motion)
    share = sampled(rings, SIZE, corner.disc, corner.motion, rng)
    screen, paint = (((c / 255 + 0.055) / 1.055) ** 2.4 for c in (corner.screen, corner.screen + corner.step))
    x, y = np.meshgrid(np.arange(SIZE) - at[0], np.arange(SIZE) - at[1])
    return srgb_code((screen + (paint - screen) * share) * (1 + shade[0] * x + shade[1] * y))


def measure(corner, kind, rng, seeds=SEEDS):
    """Renders, tracks and predicts one corner."""
    point, shade = SIZE / 2 + rng.uniform(-0.5, 0.5, 2), rng.uniform(-0.004, 0.004, 2)
    move = rng.uniform(-1, 1, 2) if kind == "moved" else np.zeros(2)
    first = picture(corner, kind, point, shade, rng)
    second = picture(corner, kind, point + move, shade, rng) if kind == "moved" else first
    found, held = matches(first, second, point, corner.noise, corner.window, seeds, rng)
    error = found - move
    return outcome_of(corner, error, held)


def outcome_of(corner, error, held):
    """What matches off by ``error`` (S, 2) measure of a corner, beside what is predicted."""
    given = corner.outline, corner.step, corner.noise, corner.disc, corner.motion, corner.window
    predicted, trackable = corner_covariance(*given, following=corner.following)
    exact, _ = corner_covariance_exact(*given, following=corner.following)
    return Outcome(
        corner=corner,
        bias=float(np.hypot(*error.mean(axis=0))),
        missed=float(np.mean((np.hypot(*error.T) > 1) | ~held)),
        sigma=larger_axis(np.cov(error.T)),
        predicted=larger_axis(predicted),
        exact=larger_axis(exact),
        trackable=bool(trackable),
    )


def larger_axis(covariance):
    (a, b), (_, c) = covariance
    return float(np.sqrt((a + c) / 2 + np.hypot((a - c) / 2, b))) if np.isfinite(a + c) else np.inf


def run(kind, count, seed, seeds=SEEDS):
    """``count`` outcomes of one set."""
    rng = np.random.default_rng([seed, list(SETS).index(kind)])
    draw = parallelogram if kind in ("same", "moved") else partial(shaded_marker, neighbour=kind == "neighbours")
    return [measure(draw(rng), kind, rng, seeds) for _ in range(count)]


def judge(outcomes):
    """The bench's figures: ratios measured / predicted where the tracker holds, and agreement of the decision."""
    held = np.array([o.missed <= MOST_MISSED for o in outcomes])
    sigma, predicted, exact = (
        np.array([getattr(o, name) for o in outcomes]) for name in ("sigma", "predicted", "exact")
    )
    agree = np.array([o.trackable for o in outcomes]) == held
    clear = (sigma < TRACKED.value * CLEAR[0]) | (sigma > TRACKED.value * CLEAR[1])
    ratio = sigma[held] / predicted[held]
    return {
        "pictures": len(outcomes),
        "held": held.mean(),
        "median": np.median(ratio),
        "5 %": np.percentile(ratio, 5),
        "95 %": np.percentile(ratio, 95),
        "within 20 %": np.mean(np.abs(ratio - 1) < 0.2),
        "exact, within 20 %": np.mean(np.abs(sigma[held] / exact[held] - 1) < 0.2),
        "agree": agree.mean(),
        "agree, clear": agree[clear].mean(),
        "clear": clear.mean(),
        "bias / sigma": np.median(np.array([o.bias for o in outcomes])[held] / sigma[held]),
    }
