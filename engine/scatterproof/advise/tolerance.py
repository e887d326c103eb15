"""How far a move may stray before its frames get worse, and how many plausible takes stay firm.

Takes of the ensemble follow a low-discrepancy sequence (J. H. Halton, "On the efficiency of certain quasi-random
sequences of points", Numerische Mathematik 2, 1960), its digits permuted at random against the patterns that large
bases make (A. B. Owen, "A randomized Halton algorithm in R", 2017): the same seed gives the same takes. The share of
firm ones carries Wilson's score interval (E. B. Wilson, "Probable inference", 1927), which takes them for independent:
points spread out evenly are no worse than that. All from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator
from dataclasses import dataclass
from pathlib import Path
from statistics import NormalDist

import numpy as np

from ..plan.model import Plan
from ..readiness.rehearse import Rehearsal, rehearse, rehearse_shot
from ..readiness.verdict import FIRM, LOST
from ..steps import finish
from .advise import Step
from .takes import MEASURES, WAYS, Scored, Way, firm, holds, scorer_of, take_plan, ways_of

TAKES = 500
SEED = 1
CONFIRMED = 4  # takes that are rehearsed in full to see whether the key frames told the truth
PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23)
DIGITS = 32
LADDER = np.array([1 / 16, 1 / 8, 1 / 4, 3 / 8, 1 / 2, 3 / 4, 1.0])  # of a way's reach, looked at before halving
HALVINGS = 5
SHARE_SURE = 0.95


@dataclass(frozen=True, slots=True)
class Reach:
    """How far a take may stray in one way, everything else as planned."""

    way: Way
    low: float  # negative or 0: less of it
    high: float  # positive or 0
    open: tuple[bool, bool]  # nothing got worse as far as it was followed
    reason: tuple[str, str]  # which measure gives way first on either side; empty where none does
    frame: tuple[int, int]  # and in which frame


@dataclass(frozen=True, slots=True, eq=False)
class Tolerance:
    """One shot. Takes differ from the plan by one value of each way, normally distributed with that way's sigma."""

    shot: str
    ways: tuple[Way, ...]
    takes: np.ndarray  # (T, W)  how each take differs
    state: np.ndarray  # (T, K)  in its key frames
    frame: np.ndarray  # (K,) int  these
    planned: np.ndarray  # (K,)  the planned take's
    firm: int  # takes with every key frame firm
    held: int  # takes in which no key frame is worse than planned
    firm_between: tuple[float, float]  # 95 % confidence of the share of firm takes
    held_between: tuple[float, float]
    reaches: tuple[Reach, ...]
    confirmed: int  # takes rehearsed in full, those nearest to their limits
    agreed: int  # of these, how many held or not as their key frames say

    @property
    def text(self) -> str:
        """The ensemble in a sentence."""
        count, low, high = len(self.takes), *self.firm_between
        said = (
            f"firm in {100 * self.firm / max(count, 1):.0f} % of {count} takes ({100 * low:.0f} to {100 * high:.0f} %)"
        )
        if (self.planned == FIRM).all():
            return said
        return f"{said}; no frame worse than planned in {100 * self.held / max(count, 1):.0f} %"


def tolerance(
    plan: Plan, shot: str, takes: int = TAKES, folder: Path = Path(), tell: Callable[[Step], None] | None = None
) -> Tolerance:
    """How far one shot may stray. Raises BadInput for a name that is no shot."""
    return finish(tolerance_of(next(rehearse(plan, [shot], folder)), takes, folder), tell)


def tolerance_of(
    rehearsal: Rehearsal, takes: int = TAKES, folder: Path = Path(), seed: int = SEED, confirm: int = CONFIRMED
) -> Generator[Step, None, Tolerance]:
    """The same for a shot that is rehearsed already, as an iterator of steps.

    confirm : takes rehearsed in full at the end
    """
    r, name = rehearsal, rehearsal.shot.name
    scorer, ways = scorer_of(r), ways_of(r)
    drawn = np.zeros((takes, len(WAYS)))
    drawn[:, ways] = normal_takes(takes, [WAYS[i] for i in ways], seed)
    parts: list[Scored] = []
    for part in scorer.scored(drawn):
        parts.append(part)
        yield Step(f"{name}: takes", sum(len(p.state) for p in parts), takes)
    none = np.empty((0, len(scorer.rows)))
    ensemble = Scored(*(np.concatenate([none, *(getattr(p, field) for p in parts)]) for field in Scored.__slots__))
    asked = _probes(ways) if (scorer.planned != LOST).any() else []
    found, step = _Searched.of(asked), 0
    while (probes := found.next()) is not None:
        states: list[Scored] = []
        for part in scorer.scored(probes):
            states.append(part)
            yield Step(f"{name}: how far", step, HALVINGS + 1)
        found.learn(states, scorer.planned)
        step += 1
    held = holds(ensemble, scorer.planned)
    confirmed, agreed = 0, 0
    for take in np.argsort(np.abs(np.log(np.maximum(ensemble.room.min(axis=1), 1e-9))))[:confirm]:
        yield Step(f"{name}: rehearsing a take", confirmed, confirm)
        honest = yield from _honest(r, drawn[take], folder)
        confirmed += 1
        agreed += bool((honest.readiness.state <= r.readiness.state).all() == held[take])
    all_firm = firm(ensemble)
    return Tolerance(
        name, tuple(WAYS[i] for i in ways), drawn[:, ways], ensemble.state.astype(int), r.track.frame[scorer.rows],
        scorer.planned, int(all_firm.sum()), int(held.sum()), wilson(int(all_firm.sum()), takes),
        wilson(int(held.sum()), takes), found.reaches(r.track.frame[scorer.rows]), confirmed, agreed,
    )  # fmt: skip


def _honest(rehearsal: Rehearsal, take: np.ndarray, folder: Path) -> Generator[Step, None, Rehearsal]:
    """A take rehearsed in full, on the stage as it is."""
    plan = take_plan(rehearsal, take)
    shot = next(shot for shot in plan.shots if shot.name == rehearsal.shot.name)
    steps = rehearse_shot(plan, rehearsal.layout, shot, folder)
    while True:
        try:
            progress = next(steps)
        except StopIteration as end:
            return end.value  # type: ignore[no-any-return]
        yield Step(f"{shot.name}: rehearsing a take", progress.done, progress.total)


# --- the envelope ----------------------------------------------------------------------------------------------


def _probes(ways: np.ndarray) -> list[tuple[int, int]]:
    return [(int(way), side) for way in ways for side in (-1, 1)]


@dataclass(slots=True, eq=False)
class _Searched:
    """Every way to both sides at once: a ladder first, since what fails farther out may hold again, then halving."""

    asked: list[tuple[int, int]]
    good: np.ndarray  # (P,) part of the reach that holds
    bad: np.ndarray  # (P,) and the nearest that does not; inf where none is known
    why: np.ndarray  # (P,) int  measure that failed there
    key: np.ndarray  # (P,) int  key frame
    step: int = 0

    @classmethod
    def of(cls, asked: list[tuple[int, int]]) -> _Searched:
        p = len(asked)
        return cls(asked, np.zeros(p), np.full(p, np.inf), np.full(p, -1), np.full(p, -1))

    def _parts(self) -> np.ndarray:
        """(P, J) parts of the reach to look at now."""
        if self.step == 0:
            return np.broadcast_to(LADDER, (len(self.asked), len(LADDER)))
        return np.where(np.isfinite(self.bad), (self.good + self.bad) / 2, 1.0)[:, None]

    def next(self) -> np.ndarray | None:
        """(P J, W) takes to score, or None at the end."""
        if not self.asked or self.step > HALVINGS:
            return None
        parts = self._parts()
        out = np.zeros((*parts.shape, len(WAYS)))
        for row, (way, side) in enumerate(self.asked):
            out[row, :, way] = side * WAYS[way].reach * parts[row]
        return out.reshape(-1, len(WAYS))

    def learn(self, states: list[Scored], planned: np.ndarray) -> None:
        parts = self._parts()
        held = np.concatenate([holds(s, planned) for s in states]).reshape(parts.shape)
        state, worst = (np.concatenate([getattr(s, f) for s in states]) for f in ("state", "worst"))
        state, worst = state.reshape(*parts.shape, -1), worst.reshape(*parts.shape, -1)
        for row in range(len(self.asked)):
            failed = np.flatnonzero(~held[row])
            first = int(failed[0]) if len(failed) else parts.shape[1]
            if first > 0:
                self.good[row] = parts[row, first - 1]
            if len(failed):
                self.bad[row] = parts[row, first]
                self.key[row] = int((state[row, first] - planned).argmax())
                self.why[row] = int(worst[row, first, self.key[row]])
        self.step += 1

    def reaches(self, frame: np.ndarray) -> tuple[Reach, ...]:
        out = []
        for row in range(0, len(self.asked), 2):
            way = WAYS[self.asked[row][0]]
            pair = (row, row + 1)
            reason = tuple(MEASURES[self.why[i]] if self.why[i] >= 0 else "" for i in pair)
            at = tuple(int(frame[self.key[i]]) if self.key[i] >= 0 else -1 for i in pair)
            never = tuple(not math.isfinite(self.bad[i]) for i in pair)
            low, high = -float(self.good[row]) * way.reach, float(self.good[row + 1]) * way.reach
            out.append(Reach(way, low, high, (never[0], never[1]), (reason[0], reason[1]), (at[0], at[1])))
        return tuple(out)


# --- sampling --------------------------------------------------------------------------------------------------


def halton(count: int, dimensions: int, rng: np.random.Generator | None = None) -> np.ndarray:
    """(count, dimensions) points of the Halton sequence from its first on; with ``rng`` its digits are permuted.

    >>> halton(4, 2).round(3).tolist()
    [[0.0, 0.0], [0.5, 0.333], [0.25, 0.667], [0.75, 0.111]]
    """
    out = np.zeros((count, dimensions))
    for column, base in enumerate(PRIMES[:dimensions]):
        rest, unit = np.arange(count), 1.0
        for _ in range(max(1, math.ceil(DIGITS * math.log(2) / math.log(base)))):
            rest, digit = np.divmod(rest, base)
            unit /= base
            out[:, column] += unit * (digit if rng is None else rng.permutation(base)[digit])
    return out


def normal_takes(count: int, ways: list[Way], seed: int) -> np.ndarray:
    """(count, W) deviations, evenly spread over independent normal distributions of each way's sigma."""
    even = halton(count, len(ways), np.random.default_rng(seed))
    normal = NormalDist()
    level = np.clip(even, 0.5 / (count + 1), 1 - 0.5 / (count + 1))
    drawn = np.array([normal.inv_cdf(float(p)) for p in level.ravel()]).reshape(level.shape)
    return drawn * [way.sigma for way in ways]


def wilson(hits: int, count: int, sure: float = SHARE_SURE) -> tuple[float, float]:
    """Score interval of a share.

    >>> [round(x, 4) for x in wilson(8, 10)]
    [0.4902, 0.9433]
    """
    if not count:
        return 0.0, 1.0
    z = NormalDist().inv_cdf((1 + sure) / 2)
    share, more = hits / count, z * z / count
    middle = (share + more / 2) / (1 + more)
    half = z * math.sqrt(share * (1 - share) / count + more / (4 * count)) / (1 + more)
    return max(0.0, middle - half), min(1.0, middle + half)
