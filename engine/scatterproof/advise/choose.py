"""Greedy choice with lazy evaluation, and how far from the best possible it can be at most.

For an objective that only grows and has diminishing returns (monotone, submodular), k greedy picks reach at least
1 - 1/e of what the best k could (Nemhauser, Wolsey, Fisher, "An analysis of approximations for maximizing submodular
set functions I", 1978). For the instance at hand more is known: no set of k is worth more than what is chosen so far
plus the k largest gains that are left (Minoux, "Accelerated greedy algorithms for maximizing submodular set functions",
1978, whose lazy evaluation this is too; Leskovec et al., "Cost-effective outbreak detection in networks", 2007). All
three from memory.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

PUBLISHED = 1 - 1 / math.e
Worth = Callable[[Sequence[int]], float]  # of a set of candidates; 0 for none


@dataclass(frozen=True, slots=True)
class Choice:
    """What was chosen, in this order."""

    order: tuple[int, ...]
    worth: tuple[float, ...]  # after each pick
    most: float  # no other choice of as many can be worth more than this
    asked: int  # sets that were evaluated

    @property
    def share(self) -> float:
        """Of the best possible, at least so much was reached; 1 where there is nothing to be had."""
        return self.worth[-1] / self.most if self.worth and self.most > 0 else 1.0


def choose(
    worth: Worth,
    candidates: int,
    budget: int,
    minutes: np.ndarray | None = None,
    enough: float = math.inf,
    ceiling: float = math.inf,
    singles: np.ndarray | None = None,
    beside: Callable[[int, Sequence[int]], bool] | None = None,
) -> Choice:
    """The greedy choice of at most ``budget`` candidates.

    minutes : (S,) what each costs; given, gain per cost decides instead of gain
    enough : stop where the worth reaches this
    ceiling : what no set at all is worth more than
    singles : (S,) the worth of each alone, where the caller knows it already
    beside : whether a candidate may stand beside those chosen already; the bound leaves that out, and so still holds
    """
    cost = np.ones(candidates) if minutes is None else minutes
    alone = np.array([worth([i]) for i in range(candidates)]) if singles is None else singles
    asked = candidates if singles is None else 0
    # What a candidate gained beside fewer others bounds what it gains beside more: only the queue's front is asked.
    queue = [(-float(alone[i]) / float(cost[i]), i, 0) for i in range(candidates)]
    heapq.heapify(queue)
    order: list[int] = []
    reached: list[float] = []
    now = 0.0
    passed: list[tuple[float, int, int]] = []
    while queue and len(order) < budget and now < enough:
        rank, i, known = heapq.heappop(queue)
        if beside and order and not beside(i, order):
            passed.append((rank, i, known))
            continue
        if known < len(order):
            gain = worth([*order, i]) - now
            asked += 1
            heapq.heappush(queue, (-gain / float(cost[i]), i, len(order)))
            continue
        if -rank <= 1e-12 * max(1.0, now):
            heapq.heappush(queue, (rank, i, known))
            break
        order.append(i)
        now = worth(order) if len(order) > 1 else float(alone[i])
        reached.append(now)
    left = sorted((-rank * float(cost[i]) for rank, i, _ in [*queue, *passed]), reverse=True)[: len(order)]
    most = min(now + sum(max(g, 0) for g in left), _ceiling(alone, order), max(ceiling, now))
    return Choice(tuple(order), tuple(reached), most, asked)


def _ceiling(alone: np.ndarray, order: Sequence[int]) -> float:
    """No set is worth more than the sum of its parts."""
    return float(np.sort(alone)[::-1][: len(order)].sum())


def covered(progress: Sequence[np.ndarray], weight: Sequence[np.ndarray], secondary: np.ndarray) -> Worth:
    """The worth of a set: frames brought to firm, parts counted, by each criterion's progress added up and capped at 1.

    progress : one (S, K, C) for each shot; weight : (K, C) frames that each key frame stands for, shared out among the
    criteria that are to be mended there; secondary : (S,) what a candidate is worth beside that, small. A capped sum
    grows and has diminishing returns; so has a sum of such.
    """

    def worth(chosen: Sequence[int]) -> float:
        if not len(chosen):
            return 0.0
        rows = list(chosen)
        capped = [np.minimum(p[rows].sum(axis=0), 1.0) for p in progress]
        return float(sum(np.vdot(c, w) for c, w in zip(capped, weight, strict=True)) + secondary[rows].sum())

    return worth
