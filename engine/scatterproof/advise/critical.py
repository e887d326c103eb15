"""What must not be lost: the stands, markers and single features on which the verdict of some frames hangs.

Every one of them is tried by a down-date of the shot's reduced matrix and of its pairs' homographies; whatever comes
within reach of a limit is then scored without it, so that what is told is what a rehearsal without it would tell.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np

from ..plan.model import Plan
from ..readiness.rehearse import Rehearsal, rehearse, rescored
from ..readiness.verdict import LOST, STATES
from ..sightings.sighting import SHORT, Sightings
from ..sightings.tracks import runs
from ..stage.layout import BAND, CORNER, FEATURE_KINDS, POINT
from ..steps import finish
from .gain import Sighted, extra_points, predicted, shot_core
from .update import Changed, Core, changed, delta_of, standing_still

STANDS, STAND, MARKER, GEAR = "stands", "stand", "marker", "gear"
ALL_STANDS = "one of the stands"
FEW_BANDS = 8  # up to which every pair of bands is tried
BAND_PAIR = "two bands"
NEAR = 2.0  # times that a measure may be better than its limit and still be looked at again
SPARE = 2  # features more than a limit wants


@dataclass(frozen=True, slots=True)
class Step:
    """How far the work has come."""

    what: str
    done: int
    total: int


@dataclass(frozen=True, slots=True)
class Critical:
    """One run of frames that hangs on one thing."""

    shot: str
    name: str
    kind: str  # STAND, STANDS (all of them), MARKER, GEAR, or a kind of feature
    first: int  # frame numbers
    last: int
    before: int  # FIRM, THIN: the state of these frames
    after: int  # what they come to without it, at worst

    @property
    def consequence(self) -> str:
        """ "firm to thin"."""
        return f"{STATES[self.before]} to {STATES[self.after]}"

    @property
    def text(self) -> str:
        """What to tell the director."""
        frames = f"from {self.first} to {self.last}" if self.last > self.first else f"in {self.first}"
        if self.kind == STANDS:
            return f"keep one of the stands in frame {frames}: without any {self.consequence}"
        return f"keep {self.name} in frame {frames}: without it {self.consequence}"


@dataclass(frozen=True, slots=True, eq=False)
class Thing:
    """What is lost at once: some columns of the sightings."""

    name: str
    kind: str
    columns: np.ndarray  # (C,) int


def critical(
    plan: Plan, shot: str, folder: Path = Path(), tell: Callable[[Step], None] | None = None
) -> tuple[Critical, ...]:
    """Everything on which a shot's verdicts hang, by frames. Raises BadInput for a name that is no shot."""
    return finish(critical_in(next(rehearse(plan, [shot], folder))), tell)


def critical_in(rehearsal: Rehearsal, single: bool = True) -> Generator[Step, None, tuple[Critical, ...]]:
    """The same for a shot that is rehearsed already, as an iterator of steps.

    single : single features too, beside whole stands, markers and gear
    """
    things = things_in(rehearsal, single)
    state = rehearsal.readiness.state
    if not things or (state == LOST).all():
        return ()
    asked = np.flatnonzero(suspects(rehearsal, things))
    found: list[Critical] = []
    for number, i in enumerate(asked):
        yield Step(f"{rehearsal.shot.name}: without {things[i].name}", number, len(asked))
        after = without(rehearsal, things[i]).readiness.state
        found += _runs(rehearsal, things[i], state, after)
    whole = {(c.name, c.first, c.last) for c in found}
    # All stands together are only worth a word where no single one is as critical.
    kept = [c for c in found if c.kind != STANDS or not any(_covers(o, c) for o in found if o.kind == STAND)]
    return tuple(sorted(kept, key=lambda c: (c.first, -c.last, c.name))) if whole else ()


def _covers(one: Critical, other: Critical) -> bool:
    return one.first <= other.first and one.last >= other.last and one.after >= other.after


def things_in(rehearsal: Rehearsal, single: bool = True) -> tuple[Thing, ...]:
    """Everything that a shot sees and that can be lost."""
    layout, features = rehearsal.layout, rehearsal.layout.features
    ever = np.flatnonzero(rehearsal.sightings.seen.any(axis=0))
    first, stands = len(layout.markers.name), len(rehearsal.plan.stands)
    things = []
    for owner in np.unique(features.owner[ever]):
        kind = MARKER if owner < first else STAND if owner < first + stands else GEAR
        things.append(Thing(layout.owner_names[owner], kind, ever[features.owner[ever] == owner]))
    on_stands = ever[(features.owner[ever] >= first) & (features.owner[ever] < first + stands)]
    if len(np.unique(features.owner[on_stands])) > 1:
        things.append(Thing(ALL_STANDS, STANDS, on_stands))
    if single:
        start = np.searchsorted(features.owner, features.owner[ever])
        for column, nth in zip(ever, ever - start + 1, strict=True):
            kind = features.kind[column]
            if kind in (CORNER, BAND, POINT):
                name = f"{FEATURE_KINDS[kind]} {nth} of {layout.owner_names[features.owner[column]]}"
                things.append(Thing(name, FEATURE_KINDS[kind], np.array([column])))
    return tuple(things)


def without(rehearsal: Rehearsal, thing: Thing) -> Rehearsal:
    """The shot scored anew when a tracker gets nothing of it."""
    lost = np.zeros(rehearsal.sightings.why.shape, bool)
    lost[:, thing.columns] = True
    return rescored(rehearsal, lost)


def hanging(rehearsal: Rehearsal) -> np.ndarray:
    """(F,) bool: frames that get worse when any two bands of stands are lost at once.

    Tracks break and jump: what hangs on two of them is not safe. Where there are many bands, neighbours are tried only.
    """
    out = np.zeros(len(rehearsal.track), bool)
    bands = [thing for thing in things_in(rehearsal) if thing.kind == FEATURE_KINDS[BAND]]
    pairs: list[tuple[Thing, ...]] = list(combinations(bands, 2) if len(bands) <= FEW_BANDS else pairwise(bands))
    for pair in pairs or [(thing,) for thing in bands]:
        columns = np.concatenate([thing.columns for thing in pair])
        out |= without(rehearsal, Thing("", BAND_PAIR, columns)).readiness.state > rehearsal.readiness.state
    return out


def suspects(rehearsal: Rehearsal, things: tuple[Thing, ...]) -> np.ndarray:
    """(T,) bool: things whose loss brings some measure near to a limit that it meets.

    Counts are exact; drift and jitter are down-dated; out-of-plane signal and depths are looked at again wherever more
    goes than a marker, or few features lie off the surface that holds most.
    """
    r = rehearsal
    shot, c = r.readiness, r.criteria
    out = np.zeros(len(things), bool)
    for i, thing in enumerate(things):
        left = shot.features - r.sightings.seen[:, thing.columns].sum(axis=1)
        less = left < shot.features
        for limit in c.features:
            out[i] |= bool((less & (shot.features >= limit) & (left < limit + SPARE)).any())
    near_depth = np.any(shot.depths <= c.depths[0] + SPARE)
    near_signal = np.any(shot.out_of_plane_sigma < NEAR * c.out_of_plane[0])
    if not shot.rotation_only:
        surface = r.layout.features.surface[np.flatnonzero(r.sightings.seen.any(axis=0))]
        most = int(np.bincount(surface + 1).argmax()) - 1
        off = np.flatnonzero(r.sightings.seen.any(axis=0))[surface != most]
        owners = np.unique(r.layout.features.owner[off])
        for i, thing in enumerate(things):
            carries = np.isin(thing.columns, off).any() and len(owners) <= SPARE + 1
            whole = thing.kind in (STAND, STANDS, GEAR)
            out[i] |= bool(whole or near_depth or near_signal or (carries and thing.kind == MARKER))
    drift, jitter = _down_dated(r, things)
    for then, now, limits in ((drift, shot.drift_px, c.drift), (jitter, shot.jitter_px, c.jitter)):
        for limit in limits:
            with np.errstate(invalid="ignore"):
                out |= ((now <= limit) & (then * NEAR > limit) & (then > 1.02 * now)).any(axis=1)
    return out


def _down_dated(rehearsal: Rehearsal, things: tuple[Thing, ...]) -> tuple[np.ndarray, np.ndarray]:
    """(T, F) drift and jitter without each thing."""
    r = rehearsal
    now = r.readiness.drift_px, r.readiness.jitter_px
    found = removed(r, things)
    if found is None:
        return np.tile(now[0], (len(things), 1)), np.tile(now[1], (len(things), 1))
    core, before, after = found
    rows = core.rows
    out = []
    for then, values in zip(predicted((now[0][rows], now[1][rows]), before, after, core), now, strict=True):
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.nan_to_num(then / values[rows][core.asked], nan=1.0, posinf=1e6)
        spread = np.array([np.interp(np.arange(len(r.track)), rows[core.asked], one) for one in ratio])
        out.append(values * spread)
    return out[0], out[1]


def removed(rehearsal: Rehearsal, things: tuple[Thing, ...]) -> tuple[Core, Changed, Changed] | None:
    """The shot's core, and what it says as it is and without each thing; None where there is no core."""
    r = rehearsal
    core = shot_core(r)
    if core is None or not things:
        return None
    columns = np.concatenate([thing.columns for thing in things])
    group = np.repeat(np.arange(len(things)), [len(thing.columns) for thing in things])
    part = Sightings(**{name: getattr(r.sightings, name)[core.rows][:, columns] for name in Sightings.__slots__})
    points, weights, beside = as_in_network(r, core.rows)
    # The solve gets at most so many tracks: what it does not get it can not lose.
    used = weights[:, columns, 0, 0] > 0
    part = replace(part, why=np.where(used, part.why, np.uint8(SHORT)))
    found = Sighted(part, group, points[columns], runs(part.seen)[0], weights[:, columns], beside[:, columns])
    after = changed(core, delta_of(core, extra_points(found, len(things))), -1.0)
    return core, standing_still(core), after


def as_in_network(rehearsal: Rehearsal, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points (N, 3), weights (K, N, 2, 2), offsets (K, N, 2) of all features in some frames, as in the network."""
    network, n = rehearsal.network, len(rehearsal.layout.features)
    points = rehearsal.layout.features.position_m.copy()
    points[network.feature] = network.truth.points_m
    weights, beside = np.zeros((len(rows), n, 2, 2)), np.zeros((len(rows), n, 2))
    offset = np.broadcast_to(network.errors.offset_px, network.uv_px.shape)
    for run, feature in enumerate(network.feature.tolist()):  # runs of one feature do not overlap
        weights[:, feature] += network.covariance_px2[rows, run]
        beside[:, feature] += offset[rows, run]
    return points, weights, beside


def _runs(rehearsal: Rehearsal, thing: Thing, before: np.ndarray, after: np.ndarray) -> list[Critical]:
    """Runs of frames of one state that get worse."""
    worse = np.where(after > before, before, -1)
    edge = np.flatnonzero(np.diff(worse, prepend=-2, append=-2))
    frame = rehearsal.readiness.frame
    return [
        Critical(
            rehearsal.shot.name, thing.name, thing.kind, int(frame[a]), int(frame[b - 1]), int(worse[a]),
            int(after[a:b].max()),
        )
        for a, b in pairwise(edge) if worse[a] >= 0
    ]  # fmt: skip
