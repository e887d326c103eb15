"""As planned against as found: what was surveyed, how far off it is, what is missing, extra or swapped."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..problems import frozen_array, one_problem
from ..sources import OURS, Sourced
from ..stage.surfaces import Surface
from .adjust import Loose, Removal
from .combine import FLATNESS, Combined, combine
from .match import Match, match_labelled, match_unlabelled
from .notes import Notes
from .points import SurveyPoints
from .quantiles import chi_square_quantile
from .scan import match_scan
from .tables import METRES
from .targets import HARD_POINT, MARKER, STRIPE, Targets, tidied

IN_PLACE, OFF, SWAPPED, NOT_SURVEYED = range(4)
STATES = ("in place", "off", "swapped", "not surveyed")

POINT_SIGMA = Sourced(0.003, "m", f"{OURS}: a surveyed point whose file gives no standard deviation, each axis")
SET_OUT = Sourced(0.01, "m", f"{OURS}: how far from its place a careful crew puts a marker, each axis")
SURE = 0.999  # an offset beyond what its uncertainty allows in this share of cases is real
SWAP_M = 0.1  # a marker nearer than this to another's place, and not to its own, stands at that other place
MOST_PATTERN = 2000  # points whose pattern is matched in any axes; beyond, the cloud must be levelled
WRONG_SCALE = 0.004  # a scale off by more than this is a wrong unit, not a bad tape
AGREE = 0.6  # share of labels that must agree on one alignment for labels to be believed


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """How one file was brought onto the plan."""

    file: str
    match: Match | None  # None: taken as given
    by_label: bool
    points: int
    note: str


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """T targets as found, E extra points."""

    targets: Targets
    position_m: np.ndarray  # (T, 3) nan where not surveyed
    covariance_m2: np.ndarray  # (T, 3, 3)
    state: np.ndarray  # (T,) int
    instead: np.ndarray  # (T,) int  whose planned place it stands at, -1
    test: np.ndarray  # (T,) squared offset over its uncertainty, three degrees of freedom
    extra_label: tuple[str, ...]  # E
    extra_m: np.ndarray  # (E, 3)
    extra_near: np.ndarray  # (E,) int  the nearest target that was not surveyed, -1: none within reach
    placed: tuple[Placed, ...]
    combined: Combined | None  # where there was something to adjust
    assumed_sigma: bool  # whether some standard deviations are ours, not the survey's

    def __post_init__(self) -> None:
        t, e = len(self.targets), len(self.extra_label)
        shapes: dict[str, tuple[tuple[int, ...], type]] = {
            "position_m": ((t, 3), float), "covariance_m2": ((t, 3, 3), float), "state": ((t,), int),
            "instead": ((t,), int), "test": ((t,), float), "extra_m": ((e, 3), float), "extra_near": ((e,), int),
        }  # fmt: skip
        for name, (shape, dtype) in shapes.items():
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), shape, dtype))

    @property
    def surveyed(self) -> np.ndarray:
        """(T,) bool."""
        return np.asarray(self.state != NOT_SURVEYED)

    @property
    def offset_m(self) -> np.ndarray:
        """(T, 3) found less planned; nan where not surveyed."""
        return np.asarray(self.position_m - self.targets.position_m)

    @property
    def removed(self) -> tuple[Removal, ...]:
        """Measurements taken out as blunders."""
        return self.combined.adjusted.removed if self.combined else ()

    @property
    def loose(self) -> tuple[Loose, ...]:
        """Points that the measurements do not hold."""
        return self.combined.loose if self.combined else ()


def find(
    targets: Targets,
    surfaces: Sequence[Surface],
    points: Sequence[SurveyPoints],
    notes: Sequence[Notes] = (),
    *,
    as_given: bool = False,
    by: str = "",
    fixed: Sequence[str] = (),
    flatness_m: float | None = FLATNESS.value,
) -> Found:
    """Bring every file onto the plan, adjust them with the notes, and compare with what was planned.

    as_given : coordinates are the plan's already; by : "labels" or "pattern", empty: labels where they agree
    Raises BadInput where a file can't be brought onto the plan, naming the option that settles it.
    """
    if not points and not notes:
        raise one_problem("files", "neither points nor notes", "at least one file of either")
    placed, moved, rows = [], [], []
    for file in points:
        how, there, row = _place(targets, file, as_given, by)
        placed.append(how)
        moved.append(_with_sigma(there))
        rows.append(row)
    assumed = any(np.isnan(file.sigma_m).any() for file in points) or any(np.isnan(n.sigma).any() for n in notes)
    if len(points) == 1 and not notes:
        return _compared(targets, _one_file(targets, moved[0], rows[0]), moved, rows, placed, None, assumed)
    matched = [_only(file, row >= 0) for file, row in zip(moved, rows, strict=True)] if not notes else moved
    kept = [row[row >= 0] for row in rows] if not notes else rows
    both = combine(targets, surfaces, matched, kept, notes, fixed, flatness_m)
    position, covariance = both.adjusted.position_m, both.adjusted.covariance_m2
    mine = both.target >= 0
    if both.free and not points:
        match = match_labelled(targets.position_m[both.target[mine]], position[mine], SET_OUT.value)
        if match:
            move = match.plan_from_survey
            position = move.apply(position)
            covariance = move.rotation @ covariance @ move.rotation.T
    spots = both.target[mine], position[mine], covariance[mine]
    return _compared(targets, spots, moved, rows, placed, both, assumed)


# --- one file onto the plan ----------------------------------------------------------------------------------------


def _place(targets: Targets, file: SurveyPoints, as_given: bool, by: str) -> tuple[Placed, SurveyPoints, np.ndarray]:
    """A file in the plan's axes, and the target of every point (N,), -1 for the others."""
    known = targets.rows()
    row = np.array([known.get(tidied(label), -1) if label else -1 for label in file.label], int)
    _require_once(targets, file, row)
    labels = int((row >= 0).sum())
    sigma = float(np.nanmedian(file.sigma_m)) if np.isfinite(file.sigma_m).any() else POINT_SIGMA.value
    loose = math.hypot(sigma, SET_OUT.value)
    if as_given:
        if not labels and by != "labels":
            row = _nearest_rows(targets, file.position_m, 5 * loose)
        return Placed(file.file, None, labels > 0, len(file), "taken as given"), file, row
    on = np.flatnonzero(row >= 0)
    match = None
    if by != "pattern" and labels >= 3:
        planned, surveyed = targets.position_m[row[on]], file.position_m[on]
        match = match_labelled(planned, surveyed, loose, rigid=False)
        agreed = len(match.point) if match else 0
        if match is None or agreed < max(3, AGREE * labels):
            if by == "labels":
                found = f"labels of which {agreed} of {labels} agree with the plan"
                raise one_problem("labels", found, "the plan's names or numbers, or --match pattern", file.file)
            match = None
    if match is not None:
        _require_sound(match, file, targets)
        match = match_labelled(targets.position_m[row[on]], file.position_m[on], loose)
    if match is not None:
        moved = file.at(match.plan_from_survey.apply(file.position_m))
        note = f"{len(match.point)} of {labels} labels agree with the plan"
        return Placed(file.file, match, True, len(file), note), moved, row
    if by == "labels":
        raise one_problem("labels", f"{labels} that the plan knows", "three that don't lie in a line", file.file)
    match, row = _by_pattern(targets, file, loose)
    moved = file.at(match.plan_from_survey.apply(file.position_m))
    note = f"{len(match.point)} points matched by their pattern"
    note += "; its labels don't agree with the plan and were not used" if labels >= 3 else ""
    return Placed(file.file, match, False, len(file), note), moved, row


def _by_pattern(targets: Targets, file: SurveyPoints, sigma: float) -> tuple[Match, np.ndarray]:
    """Match the pattern of markers, bands and hard points. Raises BadInput where it does not fit, or fits twice."""
    shown = np.flatnonzero(np.isin(targets.kind, (MARKER, STRIPE, HARD_POINT)))
    planned = targets.position_m[shown]
    if len(file) <= MOST_PATTERN:
        match = match_unlabelled(planned, file.position_m, sigma)
        hint = "labels on its points, or a file that holds more of the markers"
    else:
        match = match_scan(planned, file.position_m, sigma)
        hint = 'a levelled cloud whose z points up (--axes "x -z y" for one with y up), or a thinner one'
    if match is None:
        raise one_problem("pattern", "no believable fit to the plan", hint, file.file)
    if match.ambiguous:
        ways = f"{match.rivals + 1} alignments that fit about as well: the layout repeats itself"
        raise one_problem("pattern", ways, "labels on at least three points that don't lie in a line", file.file)
    _require_sound(match, file, targets)
    if abs(match.plan_from_survey.scale - 1) > 1e-12:
        again = match_unlabelled(planned, file.position_m, sigma, rigid=True)
        match = again if again and not again.ambiguous else match
    row = np.full(len(file), -1)
    row[match.point] = shown[match.target]
    return match, row


def _require_sound(match: Match, file: SurveyPoints, targets: Targets) -> None:
    """Raise BadInput for a survey in another unit than was said, or in left-handed axes."""
    scale = match.plan_from_survey.scale
    if abs(scale - 1) > WRONG_SCALE:
        fits = [u for u, m in METRES.items() if abs(m / METRES[file.unit] / scale - 1) < WRONG_SCALE and u != file.unit]
        wanted = f"--units {' or '.join(fits)}" if fits else "a survey in one unit"
        found = f"{file.unit}, in which the survey is {1 / scale:.4f} times the size of the plan"
        raise one_problem("units", found, wanted, file.file)
    if match.mirrored:
        found = "left-handed axes: the survey is the plan's mirror image"
        wanted = '--axes "y x z" where east and north are swapped, or another order or sign of its axes'
        raise one_problem("axes", found, wanted, file.file)


def _require_once(targets: Targets, file: SurveyPoints, row: np.ndarray) -> None:
    """Raise BadInput where two labels of a file mean one thing ("12" and "wall 12")."""
    used = row[row >= 0]
    for target in np.flatnonzero(np.bincount(used, minlength=len(targets)) > 1):
        labels = [repr(file.label[i]) for i in np.flatnonzero(row == target)[:4]]
        raise one_problem("labels", " and ".join(labels), f"one point for {targets.name[target]}", file.file)


def _nearest_rows(targets: Targets, position: np.ndarray, within: float) -> np.ndarray:
    row = np.full(len(position), -1)
    for target in range(len(targets)):
        away = np.sqrt(((position - targets.position_m[target]) ** 2).sum(axis=1))
        i = int(away.argmin())
        if away[i] <= within:
            row[i] = target
    return row


def _with_sigma(file: SurveyPoints) -> SurveyPoints:
    return replace(file, sigma_m=np.where(np.isnan(file.sigma_m), POINT_SIGMA.value, file.sigma_m))


def _only(file: SurveyPoints, keep: np.ndarray) -> SurveyPoints:
    label = tuple(text for text, kept in zip(file.label, keep, strict=True) if kept)
    return SurveyPoints(file.file, label, file.position_m[keep], file.sigma_m[keep], file.line[keep], (), file.unit)


# --- against the plan ----------------------------------------------------------------------------------------------


def _one_file(targets: Targets, file: SurveyPoints, row: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    on = np.flatnonzero(row >= 0)
    return row[on], file.position_m[on], np.stack([np.diag(s**2) for s in file.sigma_m[on]]).reshape(-1, 3, 3)


def _compared(
    targets: Targets,
    spots: tuple[np.ndarray, np.ndarray, np.ndarray],
    points: Sequence[SurveyPoints],
    rows: Sequence[np.ndarray],
    placed: Sequence[Placed],
    both: Combined | None,
    assumed: bool,
) -> Found:
    t = len(targets)
    target, at, spread = spots
    if not len(target):
        raise one_problem("survey", "nothing of the plan in it", "points or measurements of what was planned")
    position, covariance = np.full((t, 3), np.nan), np.full((t, 3, 3), np.nan)
    position[target], covariance[target] = at, spread
    offset = position - targets.position_m
    test = np.full(t, np.nan)
    floor = 1e-8 * np.eye(3)  # a tenth of a millimetre: a fixed point has no spread of its own
    weighed = np.linalg.solve(spread + floor, offset[target][..., None])[..., 0]
    test[target] = (offset[target] * weighed).sum(axis=1)
    state = np.full(t, NOT_SURVEYED)
    state[target] = np.where(test[target] > chi_square_quantile(SURE, 3), OFF, IN_PLACE)
    instead = _instead(targets, position, spread, target)
    state[instead >= 0] = SWAPPED
    few = [
        (f, r) for f, r in zip(points, rows, strict=True) if len(f) <= MOST_PATTERN
    ]  # of a scan all but few are extra
    label = [f.label[i] for f, r in few for i in np.flatnonzero(r < 0)]
    extra = np.concatenate([np.zeros((0, 3)), *(f.position_m[r < 0] for f, r in few)])
    return Found(
        targets, position, covariance, state, instead, test, tuple(label), extra,
        _near_unsurveyed(targets, state, extra), tuple(placed), both, assumed
    )  # fmt: skip


def _instead(targets: Targets, position: np.ndarray, spread: np.ndarray, target: np.ndarray) -> np.ndarray:
    """(T,) whose planned place a surveyed thing stands at instead of its own, -1."""
    instead = np.full(len(targets), -1)
    for row, covariance in zip(target.tolist(), spread, strict=True):
        away = np.sqrt(((targets.position_m - position[row]) ** 2).sum(axis=1))
        near = int(away.argmin())
        within = max(SWAP_M, 5 * math.sqrt(float(np.trace(covariance))))
        if near != row and away[near] < within < away[row] and targets.kind[near] == targets.kind[row]:
            instead[row] = near
    return instead


def _near_unsurveyed(targets: Targets, state: np.ndarray, extra: np.ndarray) -> np.ndarray:
    """(E,) for each extra point the thing whose planned place is nearest, where that was not surveyed; else -1."""
    near = np.full(len(extra), -1)
    rest = np.flatnonzero(state == NOT_SURVEYED)
    if not len(rest) or len(targets) < 2:
        return near
    for i, point in enumerate(extra):
        away = np.sqrt(((targets.position_m - point) ** 2).sum(axis=1))
        best = int(rest[away[rest].argmin()])
        if away[best] <= away.min() + 1e-9 and away[best] < 0.5:
            near[i] = best
    return near
