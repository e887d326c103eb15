"""The front door: the smallest set of changes that makes shots firm, each confirmed by rehearsing the changed plan."""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..plan.model import PlacedMarker, Plan, Stand
from ..problems import BadInput, one_problem
from ..prove.predict import Prediction, predict
from ..readiness.exposure import f_number, seconds_text, trade_exposure
from ..readiness.rehearse import Rehearsal, choose_shots, rehearse_shot
from ..readiness.verdict import FIRM, ShotReadiness
from ..sightings.need import planned_layout
from ..sightings.sighting import BLURRED, SEEN
from ..sources import MARKER_MINUTES, SETTING_MINUTES, STAND_FOOT, STAND_MINUTES
from ..steps import finish
from .candidates import (
    Candidates,
    Ground,
    ground_of,
    joined,
    marker_candidates,
    pattern_stand,
    stand_candidates,
    with_height,
    with_things,
)
from .choose import Choice, choose, covered
from .critical import Step as Step
from .critical import hanging
from .fallback import Fallback, fallbacks
from .gain import Gains, cleanup_of, gains
from .heat import helps
from .update import key_rows

STAND, MARKER, EXPOSURE = KINDS = ("stand", "marker", "exposure")
BUDGET = 6  # things that are added at most where nobody says how many
MORE = 6  # things beyond the budget that are tried, only to say what would be needed
HEIGHTS_M = (1.2, 1.6, 2.0)  # lower stands that are tried in the place of a chosen one
ELSEWHERE, PASSES = 12, 2  # other places that are tried for a stand, and how often each has its turn
ASIDE = 0.05  # frames that everything beside mending is worth at most: it only decides between equals


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """One thing to do."""

    kind: str  # STAND, MARKER, EXPOSURE
    name: str  # of the stand or marker in the advised plan; of the shot where its exposure changes
    text: str  # what to do, in words; lengths in metres
    thing: Stand | PlacedMarker | None
    mends: dict[str, tuple[int, ...]]  # shot -> frames that are firm with it and not without it
    cleanup_px: float  # cleanup load over all shots advised on, thousand delivery pixels
    minutes: float  # to rig it

    @property
    def frames(self) -> int:
        """How many frames it mends."""
        return sum(len(frames) for frames in self.mends.values())


@dataclass(frozen=True, slots=True, eq=False)
class ShotAdvice:
    """One shot before and after."""

    name: str
    before: ShotReadiness
    after: ShotReadiness
    confirmed: Prediction  # the thorough prediction of the advised shot
    fallbacks: tuple[Fallback, ...]  # what is left to do with a shot that stays short of firm


@dataclass(frozen=True, slots=True, eq=False)
class Advice:
    """What to change on a stage. ``plan`` is the advised one; the same as before where there is nothing to advise."""

    before: Plan
    plan: Plan
    changes: tuple[Change, ...]  # the one that mends most first
    shots: tuple[ShotAdvice, ...]
    choice: Choice | None  # of the first round of additions: how near to the best possible it was
    candidates: int  # that were weighed in that round
    notes: tuple[str, ...]  # what stood in the way, and what would be needed instead

    @property
    def firm(self) -> bool:
        """Whether every frame of every shot advised on is firm."""
        return all(bool((shot.after.state == FIRM).all()) for shot in self.shots)


def advise(
    plan: Plan,
    shots: Sequence[str] = (),
    budget: int | None = None,
    folder: Path = Path(),
    tell: Callable[[Step], None] | None = None,
) -> Advice:
    """The smallest set of changes found that makes every frame of the chosen shots firm.

    shots : names; empty: all; one layout serves them together
    budget : stands and markers that may be added; None: a few
    folder : where mesh files are looked for
    tell : called after every step; whatever it raises stops the work, and nothing has changed
    Raises BadInput for a name that is no shot, a negative budget, and where the plan can't be built.
    """
    return finish(advising(plan, shots, budget, folder), tell)


def advising(
    plan: Plan, shots: Sequence[str] = (), budget: int | None = None, folder: Path = Path()
) -> Generator[Step, None, Advice]:
    """The same as an iterator of steps: stop iterating and nothing has happened."""
    work = _Work(plan, tuple(shot.name for shot in choose_shots(plan, shots)), folder)
    if not work.names:
        raise one_problem("shot", "a plan without shots", "a shot to advise on")
    allowed = BUDGET if budget is None else max(budget, 0)
    first = yield from work.rehearsed(plan, "as planned")
    notes = [*_nodal(first)]
    state, exposures = yield from _exposures(work, plan, first)
    state, choice, count, ground = yield from _additions(work, plan, state, allowed)
    used = _added(plan, state.plan)  # also where what was added did not suffice, and goes again
    state = yield from _settled(work, plan, first, state)
    state, changes = yield from _pruned(work, plan, first, state, exposures)
    if not _all_firm(state.rehearsals):
        more = yield from _needed(work, plan, state, used, allowed, ground)
        notes += more
    told: list[ShotAdvice] = []
    mended = {r.shot.name for r in first if (r.readiness.state != FIRM).any()}
    for before, after in zip(first, state.rehearsals, strict=True):
        yield Step(f"{after.shot.name}: confirming", len(told), len(first))
        held = fallbacks(after) if (after.readiness.state != FIRM).any() else ()
        sure = predict(after.network)
        told.append(ShotAdvice(before.shot.name, before.readiness, after.readiness, sure, held))
        if (after.readiness.state == FIRM).all() and before.shot.name in mended and (off := _beyond(after, sure)) > 1:
            notes.append(
                f"{before.shot.name} rehearses firm, but the thorough prediction of its slide is {off:.1f} times the "
                "limit: simulate takes of it, or survey its stands, before anybody relies on it."
            )
    ranked = sorted(changes, key=lambda change: (-change.frames, change.minutes))
    return Advice(plan, state.plan, tuple(ranked), tuple(told), choice, count, tuple(notes))


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    plan: Plan
    rehearsals: tuple[Rehearsal, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Work:
    """What every round needs."""

    first: Plan
    names: tuple[str, ...]
    folder: Path

    def rehearsed(self, plan: Plan, what: str) -> Generator[Step, None, tuple[Rehearsal, ...]]:
        layout = planned_layout(plan, self.folder)
        found = []
        for number, name in enumerate(self.names):
            yield Step(f"{name}: {what}", number, len(self.names))
            shot = next(shot for shot in plan.shots if shot.name == name)
            steps = rehearse_shot(plan, layout, shot, self.folder)
            while True:
                try:
                    next(steps)
                except StopIteration as end:
                    found.append(end.value)
                    break
        return tuple(found)


def _open_frames(rehearsals: Sequence[Rehearsal]) -> int:
    return sum(int((r.readiness.state != FIRM).sum()) for r in rehearsals)


def _all_firm(rehearsals: Sequence[Rehearsal]) -> bool:
    return _open_frames(rehearsals) == 0


def _badness(rehearsals: Sequence[Rehearsal]) -> tuple[int, int]:
    """Frames that are not firm, and how bad they are: smaller is better."""
    return _open_frames(rehearsals), sum(int(r.readiness.state.sum()) for r in rehearsals)


def _distance(rehearsals: Sequence[Rehearsal]) -> tuple[int, int, float]:
    """The same, and of equals the features that frames lack: a first step need not make any frame firm yet."""
    lack = sum(float(np.maximum(r.criteria.features[0] - r.readiness.features, 0).sum()) for r in rehearsals)
    return *_badness(rehearsals), lack


def _added(before: Plan, after: Plan) -> int:
    """Stands and markers that the one has more than the other."""
    placed = [sum(len(group.placed) for group in plan.markers) for plan in (before, after)]
    return len(after.stands) - len(before.stands) + placed[1] - placed[0]


# --- exposure --------------------------------------------------------------------------------------------------


def _exposures(
    work: _Work, plan: Plan, first: tuple[Rehearsal, ...]
) -> Generator[Step, None, tuple[_State, dict[str, str]]]:
    """Stop and shutter of shots that blur holds back, where that alone mends or lessens it."""
    state, told = _State(plan, first), dict[str, str]()
    for row, r in enumerate(first):
        why = r.sightings.why[r.readiness.state != FIRM]
        if not (why == BLURRED).sum() > 0.1 * max(1, (why == SEEN).sum()):
            continue
        yield Step(f"{r.shot.name}: stop and shutter", row, len(first))
        trade = trade_exposure(r)
        if trade.best == trade.own or not trade.needed:
            continue
        stop, time_s = float(trade.stops[trade.best[0]]), float(trade.times_s[trade.best[1]])
        cost = float(trade.cost[trade.best])
        new = replace(r.shot, stop=stop, exposure=time_s, light=r.shot.light * 2**cost)
        changed = replace(state.plan, shots=tuple(new if s.name == r.shot.name else s for s in state.plan.shots))
        own = _Work(plan, (r.shot.name,), work.folder)
        (then,) = yield from own.rehearsed(changed, "with other stop and shutter")
        if _badness([then]) < _badness([r]):
            rest = list(state.rehearsals)
            rest[row] = then
            state = _State(changed, tuple(rest))
            light = f", {cost:.1f} stops {'more' if cost > 0 else 'less'} light" if abs(cost) >= 0.05 else ""
            told[r.shot.name] = f"{r.shot.name}: {f_number(stop)} and {seconds_text(time_s)}{light}"
    return state, told


# --- stands and markers ----------------------------------------------------------------------------------------


def _additions(
    work: _Work, plan: Plan, state: _State, budget: int
) -> Generator[Step, None, tuple[_State, Choice | None, int, Ground]]:
    """Rounds of choosing and rehearsing until all is firm, the budget is used or nothing helps any more."""
    first_choice, count = None, 0
    ground = ground_of(state.plan, state.rehearsals[0].layout, work.folder)
    while not _all_firm(state.rehearsals) and (left := budget - _added(plan, state.plan)) > 0:
        yield Step("weighing places", _added(plan, state.plan), budget)
        candidates, found, load = _weighed(state, ground, work.folder)
        choice = _chosen(candidates, found, load, left)
        if first_choice is None:
            first_choice, count = choice, len(candidates.names)
        if not choice.order:
            break
        changed = with_things(state.plan, candidates, choice.order)
        try:
            then = yield from work.rehearsed(changed, "with what was chosen")
        except BadInput:
            break
        if _distance(then) >= _distance(state.rehearsals):
            break
        state = _State(changed, then)
        ground = ground_of(state.plan, state.rehearsals[0].layout, work.folder)
    return state, first_choice, count, ground


def _settled(work: _Work, plan: Plan, first: tuple[Rehearsal, ...], state: _State) -> Generator[Step, None, _State]:
    """Other places for single stands, where the thorough prediction does not bear the rehearsal out."""
    mended = [i for i, r in enumerate(first) if (r.readiness.state != FIRM).any()]

    def off(rehearsals: Sequence[Rehearsal]) -> float:
        return max((_beyond(rehearsals[i], predict(rehearsals[i].network)) for i in mended), default=0.0)

    now = off(state.rehearsals) if _all_firm(state.rehearsals) else 0.0
    added = len(state.plan.stands) - len(plan.stands)
    for _ in range(PASSES * added):
        if now <= 1:
            break
        stand = state.plan.stands[len(plan.stands)]  # one put elsewhere goes to the end of the list
        bare = _without(state.plan, stand.name, stand)
        without = yield from work.rehearsed(bare, f"{stand.name} elsewhere")
        open_shots = [r for r in without if (r.readiness.state != FIRM).any()] or [without[i] for i in mended]
        ground = ground_of(bare, without[0].layout, work.folder)
        candidates = stand_candidates(bare, ground, stand, work.folder)
        helpful = np.mean([helps(gains(r, candidates)) for r in open_shots], axis=0)
        tried: list[int] = []
        for i in np.argsort(-helpful, kind="stable"):
            if len(tried) >= ELSEWHERE or now <= 1 or helpful[i] <= 0:
                break
            if tried and not _apart(candidates, int(i), tried):
                continue
            tried.append(int(i))
            changed = with_things(bare, candidates, [int(i)])
            then = yield from work.rehearsed(changed, f"{stand.name} elsewhere")
            if _badness(then) <= _badness(state.rehearsals) and (value := off(then)) < now:
                state, now = _State(changed, then), value
        if stand in state.plan.stands:  # it stays where it is: to the end of the list with it
            rest = tuple(s for s in state.plan.stands if s != stand)
            state = replace(state, plan=replace(state.plan, stands=(*rest, stand)))
            state = _State(state.plan, (yield from work.rehearsed(state.plan, "as it stands")))
    return state


def _beyond(rehearsal: Rehearsal, sure: Prediction) -> float:
    """How many times its firm limit the slide of a thorough prediction reaches."""
    limits = (sure.drift_95_px, rehearsal.criteria.drift[0]), (sure.jitter_95_px, rehearsal.criteria.jitter[0])
    return max(float(np.nanmax(values, initial=0.0)) / limit for values, limit in limits)


def _weighed(state: _State, ground: Ground, folder: Path) -> tuple[Candidates, list[Gains], np.ndarray]:
    """Candidates, what each does for every shot that is not firm, and its cleanup load in all of them."""
    open_shots = [r for r in state.rehearsals if (r.readiness.state != FIRM).any()]
    stands = stand_candidates(state.plan, ground, pattern_stand(state.plan), folder)
    few = [r for r in open_shots if (r.readiness.features < r.criteria.features[0]).any()]
    layout = state.rehearsals[0].layout
    seen = sorted({int(s) for r in few for s in _surfaces_seen(r)})
    candidates = stands
    if seen:
        markers = marker_candidates(state.plan, layout, seen, folder)
        if markers.markers:
            candidates = joined(markers, stands)
    load = sum((cleanup_of(r, candidates, key_rows(len(r.track))) for r in state.rehearsals), np.zeros(1))
    return candidates, [gains(r, candidates) for r in open_shots], load


def _surfaces_seen(rehearsal: Rehearsal) -> np.ndarray:
    """Rows of surfaces on which something is in the gate in some open frame, or that might be: all of the stage's."""
    return np.arange(len(rehearsal.layout.surfaces))


def _chosen(candidates: Candidates, found: list[Gains], load: np.ndarray, budget: int) -> Choice:
    """By gain and by gain per cost, whichever does more; of equals the cheaper."""
    if not candidates.names or not found:
        return Choice((), (), 0.0, 0)
    helpful = np.mean([helps(g) for g in found], axis=0)
    secondary = ASIDE * helpful / (1 + load)
    worth = covered([g.progress for g in found], [g.weight for g in found], secondary)
    # The worth of each alone, all at once.
    singles = sum(np.einsum("skc,kc->s", g.progress, g.weight) for g in found) + secondary
    whole = sum(float(g.weight.sum()) for g in found)
    enough, ceiling = whole - 1e-6, whole + budget * float(secondary.max())

    def beside(one: int, others: Sequence[int]) -> bool:
        return _apart(candidates, one, others)

    plain = choose(worth, len(candidates.names), budget, None, enough, ceiling, singles, beside)
    cheap = choose(worth, len(candidates.names), budget, candidates.minutes, enough, ceiling, singles, beside)

    def rank(choice: Choice) -> tuple[float, float]:
        reached = min(choice.worth[-1] if choice.worth else 0.0, enough)
        return -round(reached, 3), float(candidates.minutes[list(choice.order)].sum())

    return min((plain, cheap), key=rank)


def _apart(candidates: Candidates, one: int, others: Sequence[int]) -> bool:
    """Whether a candidate does not stand in the way of others."""
    reach = 2 * STAND_FOOT.value if one >= candidates.markers else 2 * max(candidates.layout.markers.size_m)
    away = np.linalg.norm(candidates.at_m[list(others)] - candidates.at_m[one], axis=1)
    return bool((away >= reach).all())


# --- what is needed, and what each change does -----------------------------------------------------------------


def _pruned(
    work: _Work, plan: Plan, first: tuple[Rehearsal, ...], state: _State, exposures: dict[str, str]
) -> Generator[Step, None, tuple[_State, list[Change]]]:
    """Take back what is not needed, lower what may be lower, and say of the rest which frames hang on it."""
    changes: list[Change] = []
    things = _things(plan, state.plan)
    changed = {r.shot.name for r in first if (r.readiness.state != FIRM).any()}
    for number, (kind, name, thing) in enumerate(things):
        yield Step("without each change in turn", number, len(things))
        bare = _without(state.plan, name, thing)
        then = yield from work.rehearsed(bare, f"without {name}")
        if _badness(then) <= _badness(state.rehearsals) and _hangs(then, changed) <= _hangs(state.rehearsals, changed):
            state = _State(bare, then)
            continue
        mends = _mends(then, state.rehearsals) or _mends_safely(then, state.rehearsals, changed)
        if isinstance(thing, Stand):
            state, thing = yield from _lowered(work, state, thing)
        load, minutes = _priced(state, thing), STAND_MINUTES if kind == STAND else MARKER_MINUTES
        changes.append(Change(kind, name, _said(thing, name), thing, mends, load, minutes.value))
    for shot, text in exposures.items():
        back = tuple(s if s.name == shot else now for s, now in zip(plan.shots, state.plan.shots, strict=True))
        then = yield from work.rehearsed(replace(state.plan, shots=back), "with the old stop and shutter")
        changes.append(Change(EXPOSURE, shot, text, None, _mends(then, state.rehearsals), 0.0, SETTING_MINUTES.value))
    return state, changes


def _things(before: Plan, after: Plan) -> list[tuple[str, str, Stand | PlacedMarker]]:
    """What was added, the last first."""
    out: list[tuple[str, str, Stand | PlacedMarker]] = [(STAND, s.name, s) for s in after.stands[len(before.stands) :]]
    held = {group.name: group.placed for group in before.markers}
    for group in after.markers:
        new = group.placed[len(held.get(group.name, ())) :]
        start = len(group.placed) - len(new)
        out += [(MARKER, f"{group.name} {start + n}", marker) for n, marker in enumerate(new, 1)]
    return out[::-1]


def _without(plan: Plan, name: str, thing: Stand | PlacedMarker) -> Plan:
    if isinstance(thing, Stand):
        return replace(plan, stands=tuple(stand for stand in plan.stands if stand.name != name))
    markers = [replace(g, placed=tuple(m for m in g.placed if m is not thing)) for g in plan.markers]
    return replace(plan, markers=tuple(g for g in markers if g.placed or g.layout != "placed"))


def _mends(without: Sequence[Rehearsal], with_it: Sequence[Rehearsal]) -> dict[str, tuple[int, ...]]:
    out = {}
    for bare, whole in zip(without, with_it, strict=True):
        rows = np.flatnonzero(bare.readiness.state > whole.readiness.state)
        if len(rows):
            out[whole.shot.name] = tuple(int(f) for f in whole.readiness.frame[rows])
    return out


def _hangs(rehearsals: Sequence[Rehearsal], names: set[str]) -> int:
    """Frames of some shots that get worse with the loss of any two bands."""
    return sum(int(hanging(r).sum()) for r in rehearsals if r.shot.name in names)


def _mends_safely(
    without: Sequence[Rehearsal], with_it: Sequence[Rehearsal], names: set[str]
) -> dict[str, tuple[int, ...]]:
    """The frames that would hang on two bands without it."""
    out = {}
    for bare, whole in zip(without, with_it, strict=True):
        rows = np.flatnonzero(hanging(bare) & ~hanging(whole)) if whole.shot.name in names else np.empty(0, int)
        if len(rows):
            out[whole.shot.name] = tuple(int(f) for f in whole.readiness.frame[rows])
    return out


def _lowered(work: _Work, state: _State, stand: Stand) -> Generator[Step, None, tuple[_State, Stand]]:
    """The lowest stand of the usual heights in its place that shows as much and keeps every frame."""
    for height in HEIGHTS_M:
        lower = with_height(stand, height)
        if height >= stand.height - 1e-6 or len(lower.bands) < 2:
            continue
        changed = replace(state.plan, stands=tuple(lower if s.name == stand.name else s for s in state.plan.stands))
        then = yield from work.rehearsed(changed, f"{stand.name} at {height:g} m")
        as_many = all(map(_as_many, then, state.rehearsals))
        if as_many and _badness(then) <= _badness(state.rehearsals):
            return _State(changed, then), lower
    return state, stand


def _as_many(then: Rehearsal, now: Rehearsal) -> bool:
    """Whether no frame has fewer features than now."""
    return bool((then.readiness.features >= now.readiness.features).all())


def _priced(state: _State, thing: Stand | PlacedMarker) -> float:
    """Cleanup load of one thing over all shots."""
    load = 0.0
    for r in state.rehearsals:
        if isinstance(thing, Stand):
            ground = Ground(np.array([[*thing.at, thing.base]]), 1.0, np.zeros(1, int))
            one = stand_candidates(state.plan, ground, thing)
            load += float(cleanup_of(r, one, np.arange(0, len(r.track), max(1, len(r.track) // 24)))[0])
    return load


def _said(thing: Stand | PlacedMarker, name: str) -> str:
    if isinstance(thing, Stand):
        bands = ", ".join(f"{band:g}" for band in thing.bands)
        where = f"x {thing.at[0]:g} m, y {thing.at[1]:g} m"
        return f"{name}: {thing.height:g} m high at {where}, bands at {bands} m"
    return f"{name}: {thing.size:g} m large on the {thing.surface} at {thing.at[0]:g}, {thing.at[1]:g} m"


# --- when it can't be had --------------------------------------------------------------------------------------


def _nodal(rehearsals: Sequence[Rehearsal]) -> list[str]:
    """What there is to say of shots that only turn."""
    notes = []
    for r in rehearsals:
        if not r.readiness.rotation_only or not r.readiness.features.any():  # what sees nothing may well travel
            continue
        notes.append(
            f"{r.shot.name} turns without travelling: no stand and no marker will give its position, and none is asked "
            f"of it. {travel_needed(r)}"
        )
    return notes


def travel_needed(rehearsal: Rehearsal) -> str:
    """How far a nodal shot would have to travel for its nearest feature to show ten sigma of parallax."""
    r = rehearsal
    nearest = float(np.nanmin(r.readiness.nearest_m)) if np.isfinite(r.readiness.nearest_m).any() else np.nan
    if not np.isfinite(nearest):
        return "It sees no feature at all."
    travel = r.criteria.out_of_plane[0] * r.criteria.sigma * nearest / float(r.track.focal_px.max())
    return (
        f"To be solved for position it would have to travel about {max(travel, 0.01):.2f} m past its nearest feature, "
        f"{nearest:.1f} m away, with features at two more depths."
    )


def _needed(
    work: _Work, plan: Plan, state: _State, used: int, budget: int, ground: Ground
) -> Generator[Step, None, list[str]]:
    """Why shots are still not firm, and what would make them so."""
    notes = []
    open_names = [r.shot.name for r in state.rehearsals if (r.readiness.state != FIRM).any()]
    if not (ground.why == 0).any():
        notes.append(f"No stand may stand anywhere: {ground.reasons()}.")
    if used >= budget:
        more, _, _, _ = yield from _additions(work, plan, state, used + MORE)
        extra = _added(plan, more.plan) - used
        names = ", ".join(open_names)
        allowed = f"The budget of {budget} leaves {_open_frames(state.rehearsals)} frames of {names} short of firm"
        if _all_firm(more.rehearsals):
            what = "; ".join(_said(thing, name) for _, name, thing in _things(state.plan, more.plan)[::-1])
            notes.append(f"{allowed}; {extra} more would make them firm: {what}.")
        elif extra > 0:
            notes.append(f"{allowed}; {extra} more would still leave {_open_frames(more.rehearsals)}.")
        else:
            notes.append(f"{allowed}, and nothing that can be added helps.")
    for r in state.rehearsals:
        rows = np.flatnonzero(r.readiness.state != FIRM)
        if len(rows) and used < budget:
            reason = r.readiness.reasons[int(rows[0])][0]
            notes.append(
                f"{r.shot.name}: nothing that can be added makes {len(rows)} of {len(r.track)} frames firm; what holds "
                f"them back is {reason.text}. A slower move, another lens or another distance would have to do it."
            )
    return notes
