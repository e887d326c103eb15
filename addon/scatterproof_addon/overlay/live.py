"""The overlay's memory: the last rehearsal of a scene, kept up with what a person drags.

A change is followed in two steps. At once: the frame in view is sighted anew with stands and camera where they are. In
idle moments: the whole shot is rehearsed again in slices. Until that is done its frames count as stale.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Collection, Generator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from scatterproof.advise.critical import ALL_STANDS, Critical
from scatterproof.advise.heat import HeatMap, heat_of
from scatterproof.camera.track import CameraTrack, camera_track
from scatterproof.plan.model import Plan, Shot, Stand
from scatterproof.plan.read import parse_plan
from scatterproof.problems import BadInput
from scatterproof.readiness.glance import Glance, displaced, glance
from scatterproof.readiness.rehearse import Progress, Rehearsal, rehearse_shot
from scatterproof.sightings.need import planned_layout
from scatterproof.sightings.photometry import Looks, looks_of
from scatterproof.sightings.visibility import Spread, spread_of
from scatterproof.stage.layout import Layout, restocked

from ..bridge import cameras, tags
from ..bridge.occluders import Solids
from ..bridge.scene import SceneRead, ShotPlace, read_stands, shot_places
from ..bridge.stubs import has
from ..store import STORE
from .follow import STILL_M, Sign, camera_now, signs_of, track_by_curves
from .picture import STALE, Note, Rings, note_at_a_glance, note_of, note_stale, rings_of

REST_S = 0.25  # of no changes before the rest of the shot is rehearsed
SLICE_S = 0.012
SLICE_BYTES = 5_000_000  # working memory of a slice's sightings: a few frames
WAIT = "the rest of the shot follows"
HEAT = "squares on the floor: where one more stand helps, the larger the more"
UNKEYED = "the camera has been moved here and has no key yet: this frame alone"


@dataclass
class LiveShot:
    """One shot: what was rehearsed last, and what has come since."""

    rehearsal: Rehearsal
    shot: Shot
    track: CameraTrack
    looks: Looks | None = None  # of the layout as it is; None: to be worked out
    stale: str = ""  # why the rehearsal no longer holds
    followed: bool = True  # whether the rest can be rehearsed without the rehearsal's own button
    critical: tuple[Critical, ...] = ()  # what its verdicts hang on, where that was asked
    steps: Generator[Progress, None, Rehearsal] | None = None
    done: float = 0.0  # share of those steps


@dataclass
class View:
    """What there is to show now."""

    shot: str
    rings: Rings | None
    note: Note
    bars: tuple[tuple[int, np.ndarray], ...] = ()  # of every shot: first scene frame, (F,) states
    own: int = 0  # which of them is in view
    heat: HeatMap | None = None
    names: tuple[tuple[str, np.ndarray], ...] = ()  # what must stay in frame now, each at (3,) metres, its top


@dataclass
class Live:
    """The overlay's memory of one scene."""

    plan: Plan
    read: SceneRead
    solids: Solids
    folder: Path
    signs: dict[str, Sign]
    layout: Layout
    shots: dict[str, LiveShot]
    text: str  # of the stored plan
    stored: Plan
    places: dict[str, ShotPlace]
    baked: bool = False  # what is baked shows the same: then the overlay only tells when that is out of date
    trusted: bool = True  # whether rings lie where the markers are
    settled: bool = True  # whether the layout is the plan's own, markers placed anew
    spread: Spread | None = None
    glance: tuple[str, Glance] | None = None
    heat: HeatMap | None = None  # where a stand would help the shot it was asked for
    unkeyed: bool = False
    shown: tuple[object, ...] | None = None  # what the view was made of
    version: int = 0
    changed_s: float = 0.0
    update_s: list[tuple[float, float]] = field(default_factory=list)  # what the last updates took: on the clock, own
    view: View | None = None

    # --- following -------------------------------------------------------------------------------------------------

    def notice(self, scene: bpy.types.Scene, touched: Collection[str] | None = None) -> bool:
        """Look whether anything has changed, and bring the frame in view up to date; True: there is news to draw.

        touched : names of the objects that may have changed; None: any
        """
        started = time.perf_counter(), time.thread_time()
        self._find(scene)
        signs = signs_of(scene, [place.camera for place in self.places.values()], self.signs, touched)
        changed = {name for name in signs.keys() | self.signs.keys() if signs.get(name) != self.signs.get(name)}
        if changed:
            parts = {(signs.get(name) or self.signs[name])[0] for name in changed}
            self.signs = signs
            self._take(scene, changed, parts)
            self.changed_s = time.monotonic()
        news = self._look(scene, bool(changed)) or bool(changed)
        if changed or self.unkeyed:
            taken = time.perf_counter() - started[0], time.thread_time() - started[1]
            self.update_s = [*self.update_s[-199:], taken]
        return news

    def look(self, scene: bpy.types.Scene) -> bool:
        """Show the frame in view: of a shot that holds from its rehearsal, else at a glance. True: it has changed."""
        self._find(scene)
        return self._look(scene, changed=True)

    def _look(self, scene: bpy.types.Scene, changed: bool) -> bool:
        name, row = self.place(scene)
        if not name:
            gone, self.view, self.shown = self.view is not None, None, None
            self.version += gone
            return gone
        shot = self.shots[name]
        track, unkeyed = self._camera(scene, name, row)
        fresh = not shot.stale and not unkeyed
        key = (name, row, shot.stale, self.baked, track.world_from_cam[row].tobytes() if unkeyed else b"")
        if key == self.shown and not changed:
            return False
        self.shown = key
        if not fresh and self.trusted:
            self.glance = (name, self._glance(name, track, row))
        elif fresh:
            self.glance = None
        self.unkeyed = unkeyed
        self.view = self._view(name, row, track)
        self.version += 1
        return True

    def _find(self, scene: bpy.types.Scene) -> None:
        """Where the shots' cameras are now: undo and deletion make older references worthless."""
        self.places = shot_places(scene, self._stored(scene))
        self.baked = any(tags.part_of(thing) == "readout" for thing in scene.objects)
        if self.places.keys() != self.shots.keys():
            for shot in self.shots.values():
                self._outdate(shot, "shots have come or gone since; rehearse again", followed=False)

    def place(self, scene: bpy.types.Scene) -> tuple[str, int]:
        """The shot at the playhead and the row of its frame; of several the one that the scene's camera shoots."""
        found = []
        for name, where in self.places.items():
            row = scene.frame_current - where.offset - self.shots[name].shot.frames[0] if name in self.shots else -1
            if name in self.shots and 0 <= row < len(self.shots[name].track):
                found.append((where.camera == scene.camera, name, row))
        if not found:
            return "", -1
        _, name, row = max(found, key=lambda entry: entry[0])
        return name, row

    def _take(self, scene: bpy.types.Scene, changed: set[str], parts: set[str]) -> None:
        stored = self._stored(scene)
        if parts - {"stand", "shot", "aim"}:
            names = ", ".join(sorted(changed)[:2]) + (" and more" if len(changed) > 2 else "")
            for shot in self.shots.values():
                self._outdate(shot, f"{names} changed since; rehearse again", followed=False)
            self.trusted = self.trusted and not parts & {"markers", "floor", "wall", "panel", "cove", "corner"}
        if "stand" in parts:
            before = [_looks_like(stand) for stand in self.plan.stands]
            self.plan = dataclasses.replace(self.plan, stands=read_stands(scene, stored))
            same_looks = before == [_looks_like(stand) for stand in self.plan.stands]
            self.layout, self.spread, self.settled = restocked(self.layout, self.plan), None, False
            for shot in self.shots.values():
                if not same_looks or len(shot.rehearsal.layout.features) != len(self.layout.features):
                    shot.looks = None
                self._outdate(shot, "a stand has moved; " + WAIT)
        if parts & {"shot", "aim"}:
            for name, shot in self.shots.items():
                self._retrack(scene, name, shot, changed)

    def _retrack(self, scene: bpy.types.Scene, name: str, shot: LiveShot, changed: set[str]) -> None:
        if name not in self.places:
            return
        camera, offset = self.places[name].camera, self.places[name].offset
        mine = {camera.name} | {t.name for t in tags.tagged(scene, "aim") if tags.entry_of(t) == tags.entry_of(camera)}
        if not mine & changed:
            return
        frames = np.arange(shot.shot.frames[0], shot.shot.frames[1] + 1) + offset
        seen = track_by_curves(scene, camera, frames)
        if seen is None:
            self._outdate(shot, "the camera has changed; rehearse again", followed=False)
            return
        own: dict[str, Any] = {
            "focal_length": float(seen.focal_mm[0]),
            "focus": float(seen.focus_m[0]),
            "stop": float(seen.stop[0]),
        }
        moved = dataclasses.replace(shot.shot, move=None, keys=(), samples=cameras.samples_of(seen), **own)
        plan = self._plan_with(name, moved)
        try:
            shot.track = camera_track(plan, moved)
        except BadInput:
            self._outdate(shot, "the camera has changed; rehearse again", followed=False)
            return
        shot.shot, self.plan, shot.looks, self.settled = moved, plan, None, False
        self._outdate(shot, "the camera has moved; " + WAIT)

    def _plan_with(self, name: str, shot: Shot) -> Plan:
        return dataclasses.replace(self.plan, shots=tuple(shot if s.name == name else s for s in self.plan.shots))

    def _outdate(self, shot: LiveShot, why: str, followed: bool = True) -> None:
        shot.steps, shot.done, shot.critical = None, 0.0, ()
        self.heat = None
        if shot.followed:
            shot.stale, shot.followed = why, followed

    def _stored(self, scene: bpy.types.Scene) -> Plan:
        text = str(scene.get(tags.PLAN, ""))
        if text != self.text and text:
            self.text, self.stored = text, parse_plan(text).plan
        return self.stored

    def _camera(self, scene: bpy.types.Scene, name: str, row: int) -> tuple[CameraTrack, bool]:
        """The shot's track, and whether its camera has been dragged away from it without a key."""
        track, camera = self.shots[name].track, self.places[name].camera
        pose, focal_mm = camera_now(scene, camera)
        off = np.abs(pose - track.world_from_cam[row]).max() > STILL_M * max(1.0, float(np.abs(pose).max()))
        if not (off or abs(focal_mm - track.focal_mm[row]) > 1e-3) or not self.shots[name].followed:
            return track, False
        try:
            return displaced(track, row, pose, focal_mm), True
        except ValueError:
            return track, False

    def _glance(self, name: str, track: CameraTrack, row: int) -> Glance:
        shot, known = self.shots[name], self.shots[name].rehearsal
        if shot.looks is None:
            shot.looks = looks_of(self.plan, shot.shot, self.layout, known.criteria.channel)
        if self.spread is None:
            self.spread = spread_of(self.layout.features)
        before = known.sightings.why[row]
        last = before if len(before) == len(self.layout.features) else None
        return glance(self.layout, track, known.occluders, shot.looks, known.criteria, row, self.spread, last)

    def name_critical(self, scene: bpy.types.Scene, found: dict[str, tuple[Critical, ...]]) -> None:
        """Name what must stay in frame beside its rings, as long as the shot's rehearsal holds."""
        for name, critical in found.items():
            if name in self.shots:
                self.shots[name].critical = critical
        self.look(scene)
        redraw_all()

    def fresh(self) -> bool:
        """Whether a shot is in view whose rehearsal holds."""
        return self.view is not None and self.trusted and not self.shots[self.view.shot].stale

    def toggle_heat(self, scene: bpy.types.Scene) -> str:
        """Show where one more stand would help the shot in view, or hide that. Raises BadInput as advice does."""
        if self.heat is not None:
            self.heat, said = None, "Hidden"
        elif self.view is None:
            return "No shot at the playhead"
        else:
            self.heat = heat_of(self.shots[self.view.shot].rehearsal, self.folder)
            said = f"Squares on the floor: where one more stand helps {self.view.shot}, the larger the more"
        self.look(scene)
        redraw_all()
        return said

    # --- the rest of the shot --------------------------------------------------------------------------------------

    def work(self) -> str:
        """A shot that waits to be rehearsed again, the one in view first; empty: none."""
        waiting = [name for name, shot in self.shots.items() if shot.stale and shot.followed]
        in_view = self.view.shot if self.view else ""
        return in_view if in_view in waiting else next(iter(waiting), "")

    def go_on(self, scene: bpy.types.Scene, name: str) -> bool:
        """One slice; True when the shot is done and there is news to draw."""
        shot, stop = self.shots[name], time.perf_counter() + SLICE_S
        if shot.steps is None:
            if not self.settled:  # a stand's foot covers other markers now, and need may follow the camera elsewhere
                self.layout, self.spread, self.settled = planned_layout(self.plan, self.folder), None, True
            hiders = self.solids.hiders(self.plan, self.read.scene_frame, self.folder)
            shot.steps = rehearse_shot(self.plan, self.layout, shot.shot, self.folder, hiders, SLICE_BYTES)
        try:
            while time.perf_counter() < stop:
                at = next(shot.steps)
                shot.done = at.done / max(at.total, 1)
        except StopIteration as end:
            shot.rehearsal, shot.steps, shot.stale = end.value, None, ""
            shot.track, shot.looks = shot.rehearsal.track, shot.rehearsal.looks
            STORE.remember(scene, "", tuple(s.rehearsal for s in self.shots.values()))
            self.look(scene)
            return True
        except BadInput as problem:
            shot.steps = None
            self._outdate(shot, f"{problem.problems[0]}", followed=False)
            self.look(scene)
            return True
        return False

    # --- what to show ----------------------------------------------------------------------------------------------

    def _view(self, name: str, row: int, track: CameraTrack) -> View | None:
        shot, frame = self.shots[name], int(track.frame[row])
        readiness = shot.rehearsal.readiness
        known = not shot.stale and not self.unkeyed
        if self.baked:
            text = "what is baked was rehearsed before the last changes; bake again"
            return None if known else View(name, None, note_stale(name, frame, text))
        if known:
            note = note_of(name, frame, int(readiness.state[row]), readiness.reasons[row])
        elif self.glance and self.trusted and shot.followed:
            wait = UNKEYED if self.unkeyed else shot.stale
            note = note_at_a_glance(name, frame, self.glance[1].state, self.glance[1].reasons, wait)
        else:
            note = note_stale(name, frame, shot.stale)
        why = shot.rehearsal.sightings.why[row] if known else self.glance[1].sightings.why[0] if self.glance else None
        layout = shot.rehearsal.layout if known else self.layout
        rings = rings_of(layout, why, track.centre_m[row]) if why is not None and self.trusted else None
        there = [n for n in self.shots if n in self.places]
        bars = tuple(
            (
                self.places[n].offset + self.shots[n].shot.frames[0],
                self._states(self.shots[n], row if n == name else -1),
            )
            for n in there
        )
        names = named_now(shot.rehearsal, shot.critical, frame) if known and shot.critical else ()
        heat = self.heat if self.heat is not None and self.heat.shot == name else None
        if heat is not None:
            note = dataclasses.replace(note, lines=(*note.lines, HEAT))
        return View(name, rings, note, bars, there.index(name), heat, names)

    def _states(self, shot: LiveShot, row: int) -> np.ndarray:
        states = np.full(len(shot.track), STALE) if shot.stale else shot.rehearsal.readiness.state.copy()
        if row >= 0 and self.unkeyed:
            states[row] = STALE
        return states


def named_now(rehearsal: Rehearsal, critical: tuple[Critical, ...], frame: int) -> tuple[tuple[str, np.ndarray], ...]:
    """The names of what a frame hangs on, each at the top of what is seen of it; stands together by their own names."""
    row = frame - int(rehearsal.track.frame[0])
    wanted = {one.name for one in critical if one.first <= frame <= one.last}
    layout, seen = rehearsal.layout, rehearsal.sightings.seen[row]
    stands = range(len(layout.markers.name), len(layout.markers.name) + len(rehearsal.plan.stands))
    if ALL_STANDS in wanted:
        wanted |= {layout.owner_names[owner] for owner in stands}
    found = []
    for owner, name in enumerate(layout.owner_names):
        mine = np.flatnonzero(seen & (layout.features.owner == owner)) if name in wanted else ()
        if len(mine):
            at = layout.features.position_m[mine]
            found.append((name, at[np.argmax(at[:, 2])]))
    return tuple(found)


def redraw_all() -> None:
    """Ask for a new picture of every 3D view and timeline."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type in ("VIEW_3D", "DOPESHEET_EDITOR"):
                area.tag_redraw()


def _looks_like(stand: Stand) -> tuple[object, ...]:
    """What a stand's bands look like, wherever it stands."""
    return stand.name, len(stand.bands), stand.pole, stand.paint, stand.band_width


@dataclass
class Lives:
    """One memory per rehearsed scene."""

    kept: dict[int, Live] = field(default_factory=dict)

    def begin(
        self, scene: bpy.types.Scene, read: SceneRead, solids: Solids, folder: Path, done: tuple[Rehearsal, ...]
    ) -> None:
        """Remember a rehearsal that holds for the scene as it is."""
        if bpy.app.background or not done:
            return
        self.kept[scene.session_uid] = new_live(scene, read, solids, folder, done)

    def of(self, scene: bpy.types.Scene) -> Live | None:
        """The scene's memory; dropped where its plan is gone."""
        live = self.kept.get(scene.session_uid)
        if live and live.text and not has(scene, tags.PLAN):
            del self.kept[scene.session_uid]
            return None
        return live

    def forget(self) -> None:
        """Drop everything."""
        self.kept.clear()


def new_live(
    scene: bpy.types.Scene, read: SceneRead, solids: Solids, folder: Path, done: tuple[Rehearsal, ...]
) -> Live:
    """A memory of a scene as it was just rehearsed."""
    shots = {r.shot.name: LiveShot(r, r.shot, r.track, r.looks) for r in done}
    text = str(scene.get(tags.PLAN, ""))
    stored = parse_plan(text).plan if text else read.plan
    places = shot_places(scene, stored)
    signs = signs_of(scene, [place.camera for place in places.values()])
    live = Live(read.plan, read, solids, folder, signs, done[0].layout, shots, text, stored, places)
    live.look(scene)
    return live


LIVES = Lives()
