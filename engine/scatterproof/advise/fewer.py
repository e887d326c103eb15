"""Markers that nobody needs: which serve no shot, which may go with every frame as firm as it was, and what that costs.

Markers are taken away in the order of their cleanup load and, among equals, of how little the solves lose by them (by
down-dates of every shot's reduced matrix). Halves of halves are tried: what no shot misses stays away. The outcome is
then rehearsed without them.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..plan.model import Plan
from ..readiness.rehearse import Rehearsal, choose_shots, rehearse_shot, rescored
from ..sightings.need import planned_layout
from ..stage.layout import without_owners
from ..steps import finish
from .critical import MARKER, Step, Thing, removed
from .gain import edge_load
from .update import key_rows

FIRST_PARTS = 4  # how many parts are tried first
MOST_TRIES = 60
ROOM = 2.0  # a removal may let slide grow to the limit over this, or as far as it was


@dataclass(frozen=True, slots=True, eq=False)
class Fewer:
    """What may go. Loads are thousand delivery pixels over all frames of all shots."""

    markers: tuple[str, ...]  # M  names of all markers
    load_px: np.ndarray  # (M,)
    idle: tuple[str, ...]  # trackable in no frame of any shot
    removable: tuple[str, ...]  # the others that may go together, no frame of any shot getting worse
    left: np.ndarray  # (P,) markers that are left, along the removal: first all of them
    left_load_px: np.ndarray  # (P,) their cleanup load
    drift_px: np.ndarray  # (P,) worst drift in any firm frame, 95 of 100 takes
    confirmed: bool  # rehearsed without all of them, no frame got worse


def fewer(
    plan: Plan, shots: Sequence[str] = (), folder: Path = Path(), tell: Callable[[Step], None] | None = None
) -> Fewer:
    """The markers that may go. Raises BadInput for a name that is no shot, and where the plan can't be built."""
    return finish(sparing(plan, shots, folder), tell)


def sparing(plan: Plan, shots: Sequence[str] = (), folder: Path = Path()) -> Generator[Step, None, Fewer]:
    """The same as an iterator of steps."""
    layout = planned_layout(plan, folder)
    whole: list[Rehearsal] = []
    chosen = choose_shots(plan, shots)
    for shot in chosen:
        yield Step(f"{shot.name}: as planned", len(whole), len(chosen))
        whole.append(_end(rehearse_shot(plan, layout, shot, folder)))
    count = len(layout.markers.name)
    seen = np.array([_seen_owners(r, count) for r in whole], bool).reshape(len(whole), count)
    load = sum((_loads(r, count) for r in whole), np.zeros(count))
    idle = np.flatnonzero(~seen.any(axis=0))
    asked = np.flatnonzero(seen.any(axis=0))
    worth = sum((_worths(r, asked) for r in whole), np.zeros(len(asked)))
    order = asked[np.lexsort((worth, -load[asked]))]
    now = list(whole)
    gone = list(map(int, idle))
    left, loads, drift = [count], [float(load.sum())], [_worst(whole)]
    if len(idle):
        left, loads, drift = (
            [*left, count - len(idle)],
            [*loads, float(load.sum() - load[idle].sum())],
            [*drift, *drift],
        )
    queue = [part for part in np.array_split(order, FIRST_PARTS) if len(part)]
    for tried in range(MOST_TRIES):
        if not queue:
            break
        yield Step("without some markers", tried, MOST_TRIES)
        part = queue.pop(0)
        then = _tried(whole, now, [*gone, *map(int, part)], np.any(seen[:, part], axis=1))
        if then is not None:
            now, gone = then, [*gone, *map(int, part)]
            left.append(count - len(gone))
            loads.append(float(load.sum() - load[gone].sum()))
            drift.append(_worst(now))
        elif len(part) > 1:
            queue[:0] = np.array_split(part, 2)
    bare = without_owners(layout, gone)
    confirmed = True
    for number, r in enumerate(whole):
        yield Step(f"{r.shot.name}: confirming", number, len(whole))
        state = _end(rehearse_shot(plan, bare, r.shot, folder)).readiness.state
        confirmed &= bool((state <= r.readiness.state).all())
    names = layout.markers.name
    some = tuple(names[i] for i in sorted(set(gone) - set(idle.tolist())))
    return Fewer(
        names, load, tuple(names[i] for i in idle), some, np.array(left), np.array(loads), np.array(drift), confirmed
    )


def _end(steps: Generator[object, None, Rehearsal]) -> Rehearsal:
    while True:
        try:
            next(steps)
        except StopIteration as end:
            return end.value  # type: ignore[no-any-return]


def _seen_owners(rehearsal: Rehearsal, count: int) -> np.ndarray:
    """(M,) bool: trackable in some frame."""
    owner = rehearsal.layout.features.owner[rehearsal.sightings.seen.any(axis=0)]
    return np.asarray(np.isin(np.arange(count), owner))


def _loads(rehearsal: Rehearsal, count: int) -> np.ndarray:
    """(M,) cleanup load of markers in one shot."""
    markers = rehearsal.layout.markers
    rows = key_rows(len(rehearsal.track))
    return edge_load(rehearsal, markers.centre_m, markers.size_m**2, np.arange(count), count, rows)


def _worths(rehearsal: Rehearsal, asked: np.ndarray) -> np.ndarray:
    """(A,) information, nats, that the shot's solve loses with each marker."""
    features = rehearsal.layout.features
    ever = np.flatnonzero(rehearsal.sightings.seen.any(axis=0))
    things = tuple(Thing("", MARKER, ever[features.owner[ever] == owner]) for owner in asked)
    found = removed(rehearsal, things)
    if found is None:
        return np.zeros(len(asked))
    _, before, after = found
    lost = before.information[0] - after.information
    return np.asarray(np.where(np.isfinite(lost), lost, 1e9))


def _tried(
    whole: list[Rehearsal], now: list[Rehearsal], gone: list[int], touched: np.ndarray
) -> list[Rehearsal] | None:
    """Every shot without some markers; None where a frame gets worse, or slide comes too near to its limit."""
    out = []
    for planned, held, asked in zip(whole, now, touched, strict=True):
        if not asked:
            out.append(held)
            continue
        lost = np.broadcast_to(np.isin(planned.layout.features.owner, gone), planned.sightings.why.shape)
        then = rescored(planned, lost)
        if (then.readiness.state > planned.readiness.state).any() or not _roomy(planned, then):
            return None
        out.append(then)
    return out


def _roomy(planned: Rehearsal, then: Rehearsal) -> bool:
    for name in ("drift_px", "jitter_px"):
        before, after = getattr(planned.readiness, name), getattr(then.readiness, name)
        limit = getattr(planned.criteria, name.removesuffix("_px"))[0]
        with np.errstate(invalid="ignore"):
            if (after > np.maximum(limit / ROOM, before)).any():
                return False
    return True


def _worst(rehearsals: list[Rehearsal]) -> float:
    """Largest drift in any firm frame."""
    return max(
        (float(np.nanmax(r.readiness.drift_px[r.readiness.state == 0], initial=0.0)) for r in rehearsals), default=0.0
    )
