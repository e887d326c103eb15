"""Bundle adjustment: poses, points, focal length and distortion that fit the sightings best.

Levenberg-Marquardt on the reduced normal equations (see :mod:`.normal`). Damping follows Nielsen, "Damping parameter
in Marquardt's method", 1999 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .network import Scene, Survey, Tracks, Unknowns
from .normal import (
    Layout,
    Loss,
    Reduced,
    State,
    cost_of,
    gradient_of,
    lay_out,
    moved,
    reduce,
    scene_of,
    state_of,
)

# Why an adjustment ended.
COST, STEP, ITERATIONS, STUCK, SINGULAR, EMPTY = (
    "the cost no longer falls",
    "the step is small against its own sigma",
    "the iterations are used up",
    "no step lowers the cost",
    "the sightings do not fix the unknowns",
    "too few sightings",
)


LINEAR = 0.1  # how far the cost's fall may miss the linear forecast for the factored system to be kept


@dataclass(frozen=True, slots=True)
class Rule:
    """When to stop, and how careful to begin.

    The adjustment ends when a step lowers the cost by less than ``cost`` times the cost, or when the step of all
    unknowns together is shorter than ``step_sigma`` (which presumes that covariances are true), whichever is first;
    zero turns a rule off. A loose cost rule leaves focal length and depth unfinished.
    """

    cost: float = 1e-10
    step_sigma: float = 1e-3
    iterations: int = 50
    damping: float = 1e-8


POSES_AND_POINTS = Unknowns()
DEFAULT_RULE = Rule()


@dataclass(frozen=True, slots=True, eq=False)
class Adjusted:
    """The result. Frames and points that the sightings do not fix keep their start (see the two masks)."""

    scene: Scene
    cost: tuple[float, ...]  # half the sum of squares, before the first and after each accepted step
    iterations: int  # steps computed
    reason: str  # one of the reasons above
    frames_used: np.ndarray  # (F,) bool
    points_used: np.ndarray  # (N,) bool
    sightings_used: int
    redundancy: int  # equations less unknowns, gauge freedoms counted

    @property
    def converged(self) -> bool:
        """Whether it ended because it was done."""
        return self.reason in (COST, STEP)

    @property
    def sigma0(self) -> float:
        """Standard deviation of unit weight: 1 where the sightings' covariances are true; nan without redundancy."""
        return float(np.sqrt(2 * self.cost[-1] / self.redundancy)) if self.redundancy > 0 else float("nan")


def adjust(
    tracks: Tracks,
    start: Scene,
    unknowns: Unknowns = POSES_AND_POINTS,
    *,
    survey: Survey | None = None,
    loss: Loss | None = None,
    rule: Rule = DEFAULT_RULE,
    keep_points: bool | None = None,
) -> Adjusted:
    """Adjust ``start`` to ``tracks``.

    Without a survey the datum is free: the result keeps about the start's place, turn and scale (each step has no part
    along the seven gauge freedoms). A ``survey`` must be given in the start's world. A robust ``loss`` is handled by
    iterative reweighting. ``keep_points`` says which side is kept in the reduced system; by default the cheaper.

    Raises ValueError where tracks and start differ in their numbers of frames or points.

    >>> import numpy as np
    >>> pose = np.tile(np.eye(4), (3, 1, 1)); pose[:, 0, 3] = [-1, 0, 1]
    >>> points = np.random.default_rng(1).uniform([-2, -1, 4], [2, 1, 8], (20, 3))
    >>> truth = Scene(pose, points, 1000.0, np.array([959.5, 539.5]))
    >>> seen = (points - pose[:, None, :3, 3]); uv = 1000 * seen[..., :2] / seen[..., 2:] + [959.5, 539.5]
    >>> done = adjust(Tracks.from_grid(uv), truth.with_parts(points_m=points + 0.01))
    >>> done.converged, bool(done.cost[-1] < 1e-6)
    (True, True)
    """
    if (tracks.frames, tracks.points) != (len(start), len(start.points_m)):
        raise ValueError(
            f"tracks of {tracks.frames} frames and {tracks.points} points; "
            f"the start has {len(start)} and {len(start.points_m)}"
        )
    layout = lay_out(tracks, unknowns, survey, keep_points)
    if not layout.sightings:
        return _result(start, tracks, layout, survey, [], 0, EMPTY)
    state = state_of(start, layout)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # wild trial steps are judged by their cost
        state, costs, iterations, reason = _descend(layout, state, loss, survey, rule)
    return _result(scene_of(start, layout, state), tracks, layout, survey, costs, iterations, reason)


def _descend(
    layout: Layout, state: State, loss: Loss | None, survey: Survey | None, rule: Rule
) -> tuple[State, list[float], int, str]:
    """Levenberg-Marquardt. Near the end the factored system is kept (the chord method): only the gradient is new."""
    damping, growth, last = rule.damping, 2.0, np.inf
    reduced: Reduced | None = None
    costs = [cost_of(layout, state, loss, survey)]
    for iteration in range(1, rule.iterations + 1):
        trial, after, square, fresh = state, np.inf, np.inf, reduced is None
        try:
            if reduced is None:
                reduced = reduce(layout, state, loss, survey, damping)
            gradient = reduced.gradient if fresh else gradient_of(layout, state, loss, survey)
            step, square = reduced.solve(gradient)
            if np.isfinite(square):
                trial = moved(layout, state, step)
                after = cost_of(layout, trial, loss, survey)
        except np.linalg.LinAlgError:
            if damping >= 1e-2:
                return state, costs, iteration, SINGULAR
        fell = costs[-1] - after
        # A step below rounding cannot lower the cost any more, and need not.
        if square <= rule.step_sigma**2 or abs(fell) <= rule.cost * costs[-1]:
            if fell >= 0:
                state = trial
                costs.append(after)
            return state, costs, iteration, STEP if square <= rule.step_sigma**2 else COST
        if fell > 0:
            gain = 2 * fell / square
            state = trial
            costs.append(after)
            # As linear as this, the system hardly changes any more; as long as steps shrink tenfold it will do.
            if not (abs(gain - 1) < LINEAR and (fresh or square < 0.01 * last)):
                reduced = None
            if fresh:
                damping *= max(1 / 3, 1 - (2 * min(gain, 1.0) - 1) ** 3)
            growth, last = 2.0, square
        else:
            reduced = None
            if fresh:
                damping = max(damping, 1e-10) * growth
                growth *= 2
            if damping > 1e12:
                return state, costs, iteration, STUCK
    return state, costs, rule.iterations, ITERATIONS


def _result(
    scene: Scene,
    tracks: Tracks,
    layout: Layout,
    survey: Survey | None,
    costs: list[float],
    iterations: int,
    reason: str,
) -> Adjusted:
    frames, points = np.zeros(tracks.frames, bool), np.zeros(tracks.points, bool)
    frames[layout.frame_ids] = True
    points[layout.point_ids] = True
    u = layout.unknowns
    count = int(frames.sum()) * u.per_frame + int(points.sum()) * (2 if u.rotation_only else 3) + len(u.shared)
    known = 0 if survey is None else 3 * int(points[survey.point].sum())
    free = 0 if known >= 9 else 3 if u.rotation_only else 7
    return Adjusted(
        scene, tuple(costs), iterations, reason, frames, points, layout.sightings,
        2 * layout.sightings + known + free - count,
    )  # fmt: skip
