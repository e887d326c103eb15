"""What a button does, as sentences: read the scene, ask the engine, write the scene."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Generator, Iterable, Iterator
from pathlib import Path
from typing import TypeVar

import bpy
import numpy as np
from scatterproof.plan.model import Blocker, Criteria, PathKey, Plan, Stand
from scatterproof.plan.read import load_plan, parse_plan
from scatterproof.plan.templates import compose, example, template_folder, template_names
from scatterproof.plan.write import dump_plan, save_text, updated
from scatterproof.problems import BadInput, one_problem
from scatterproof.readiness.rehearse import Hiders, Progress, Rehearsal, rehearse_shot
from scatterproof.sightings.need import planned_layout
from scatterproof.stage.polygons import contains
from scatterproof.stage.surfaces import Surface, build_surfaces, to_surface
from scatterproof.steps import finish

from ..bridge import mark, occluders, standing, tags
from ..bridge.bake import bake, clear_bake
from ..bridge.export import export_stage
from ..bridge.folders import plan_folder
from ..bridge.light import light_stage
from ..bridge.placing import metres_per_unit
from ..bridge.scene import (
    Live,
    SceneRead,
    build_scene,
    collection_named,
    keep_text,
    make_blocker,
    markers_as_planned,
    paint_materials,
    read_scene,
    stored_plan,
)
from ..bridge.standalone import stand_alone
from ..bridge.stubs import has, triple
from ..overlay.live import LIVES
from ..preferences import window_px
from ..store import STORE, digest

Result = TypeVar("Result")
STAND_BANDS = (0.5, 1.0, 1.5, 2.0)  # m
WALK_M = 2.0  # how far an added performer walks
STEP_M = 0.3  # the 3D cursor may lie this much below the floor that is meant


def build_from_template(scene: bpy.types.Scene, kind: str, name: str) -> Plan:
    """Build a whole example plan, or a stage template with sensible markers, camera and move."""
    text = example(name) if kind == "plans" else compose_stage(name)
    file = parse_plan(text, name)
    window = window_px()
    if window is not None and (file.plan.criteria is None or file.plan.criteria.window is None):
        criteria = dataclasses.replace(file.plan.criteria or Criteria(), window=window)
        file = parse_plan(updated(file, dataclasses.replace(file.plan, criteria=criteria)), name)
    _rebuild(scene, file.plan, template_folder() / kind, file.text)
    return file.plan


def _rebuild(scene: bpy.types.Scene, plan: Plan, folder: Path, text: str, live: Live = frozenset()) -> None:
    """Build the plan; what was baked of the one before goes, and a scene without lamps gets light."""
    build_scene(scene, plan, folder, text, live)
    clear_bake(scene)
    light_stage(scene, plan.stage.key_light)


def compose_stage(stage: str) -> str:
    """A stage template as a whole plan: the first camera package, a push, markers that suit its size."""
    markers = ["tabletop-small"] if stage == "tabletop" else ["wall-scatter", "floor-scatter"]
    return compose(stage=stage, camera=template_names("cameras")[0], markers=markers, moves=["push"], name=stage)


def open_plan(scene: bpy.types.Scene, path: Path) -> Plan:
    """Build the scene from a plan file."""
    file = load_plan(path)
    _rebuild(scene, file.plan, path.parent, file.text)
    return file.plan


def save_plan(scene: bpy.types.Scene, path: Path) -> str:
    """Write the scene's plan, edits by hand included, and beside it the meshes that hide features.

    Returns what was saved, and what a plan cannot hold, in words.
    """
    read = read_scene(scene)
    frames = read.scene_frames(read.plan.shots) or [scene.frame_current]
    alone = stand_alone(read, finish(occluders.capture(scene, read.blockers, read.gear, frames)), path)
    text = text_of(scene, alone.plan)
    for name, mesh in alone.files.items():
        save_text(path.with_name(name), mesh)
    save_text(path, text)
    beside = f" and {len(alone.files)} mesh files beside it" if alone.files else ""
    return ". ".join([f"Saved {path.name}{beside}", *alone.notes])


def text_of(scene: bpy.types.Scene, plan: Plan) -> str:
    """A plan's text, with the comments of the one that the scene keeps; written anew where that can't be edited."""
    try:
        return updated(parse_plan(str(scene.get(tags.PLAN, ""))), plan)
    except BadInput:
        return dump_plan(plan)


def store_plan(scene: bpy.types.Scene, plan: Plan, live: Live) -> None:
    """Keep a changed plan in the scene."""
    keep_text(scene, text_of(scene, plan), live)


def kept_plan(scene: bpy.types.Scene, read: SceneRead) -> Plan:
    """The plan that the scene keeps, to add an entry to it; with the shots that no plan built, which blockers may name.

    Objects say by their scale and name how they differ from the entry they were built from. A plan read back holds
    that already: were it kept while the objects stay as they are, every edit would count twice.
    """
    if not has(scene, tags.PLAN):
        return read.plan
    plan = stored_plan(scene)
    shots = {s.name: s for s in plan.shots} | {s.name: s for s in read.plan.shots if ("shot", s.name) in read.live}
    used = {shot.camera for shot in shots.values()} - {shot.camera for shot in plan.shots}
    cameras = {c.name: c for c in read.plan.cameras if c.name in used} | {c.name: c for c in plan.cameras}
    return dataclasses.replace(plan, shots=tuple(shots.values()), cameras=tuple(cameras.values()))


def keep_with(scene: bpy.types.Scene, plan: Plan, live: Live) -> None:
    """Keep a plan to which entries were added; shots that were live once stay so, for blockers may name them."""
    store_plan(scene, plan, live | {("shot", name) for name in scene.get(tags.LIVE, ())})


def unused_name(stem: str, *entries: Iterable[Stand] | Iterable[Blocker]) -> str:
    """The first numbered name that none of the entries has."""
    taken = {entry.name for group in entries for entry in group}
    return next(name for i in itertools.count(1) if (name := f"{stem} {i}") not in taken)


def scatter_again(scene: bpy.types.Scene, seed: int) -> Plan:
    """Scatter every marker set anew with another seed; markers moved by hand stay, in sets of their own."""
    read = read_scene(scene, apart=True)
    plan = read.plan
    if not any(s.layout != "placed" for s in plan.markers):
        raise one_problem("markers", "none that can be scattered", "a marker set with the layout scatter or grid")
    sets = tuple(
        s if s.layout == "placed" else dataclasses.replace(s, seed=seed + row) for row, s in enumerate(plan.markers)
    )
    changed = dataclasses.replace(plan, markers=sets)
    store_plan(scene, changed, read.live)
    _rebuild(scene, changed, plan_folder(scene), str(scene[tags.PLAN]), read.live)
    return changed


def add_stand(scene: bpy.types.Scene) -> bpy.types.Object:
    """Stand a pole with four bands at the 3D cursor."""
    read = read_scene(scene)
    plan = kept_plan(scene, read)
    name = unused_name("stand", plan.stands, read.plan.stands)
    at = triple(np.array(scene.cursor.location) * metres_per_unit(scene))
    paints = [paint.name for paint in plan.paints]
    paint = "band" if "band" in paints else next((p for p in paints if p != plan.stage.paint), paints[0])
    stand = Stand(name=name, at=(at[0], at[1]), base=at[2], height=2.2, bands=STAND_BANDS, paint=paint)
    return place_stand(scene, read, stand)


def place_stand(scene: bpy.types.Scene, read: SceneRead, stand: Stand) -> bpy.types.Object:
    """Add a stand to what was read of the scene. Raises BadInput before anything is touched."""
    plan = kept_plan(scene, read)
    shown = dataclasses.replace(read.plan, stands=(*read.plan.stands, stand))
    layout = planned_layout(shown, plan_folder(scene))
    keep_with(scene, dataclasses.replace(plan, stands=(*plan.stands, stand)), read.live)
    markers_as_planned(scene, shown, layout)
    return standing.make_stand(collection_named(scene, "Stands"), scene, stand, paint_materials(plan))


def add_performer(scene: bpy.types.Scene) -> bpy.types.Object:
    """A performer at the 3D cursor who walks to the right, on the floor there, during the shot at the playhead."""
    read = read_scene(scene)
    plan = kept_plan(scene, read)
    at = np.array(scene.cursor.location) * metres_per_unit(scene)
    at[2] = floor_under(build_surfaces(read.plan.stage), at)
    shot = next((s for s in read.plan.shots if scene.frame_current in read.scene_frames([s])), None)
    kept_as = {name: tags.entry_of(place.camera) or name for name, place in read.places.items()}
    first, last = shot.frames if shot else (scene.frame_start, scene.frame_end)
    ends = ((first, at), (last, at + np.array([WALK_M, 0, 0])))[: 1 + (last > first)]
    blocker = Blocker(
        name=unused_name("performer", plan.blockers, read.plan.blockers),
        keys=tuple(PathKey(frame=frame, at=mark.three(where), turn=-math.pi / 2) for frame, where in ends),
        shots=(kept_as[shot.name],) if shot and len(read.plan.shots) > 1 else (),
    )
    changed = dataclasses.replace(plan, blockers=(*plan.blockers, blocker))
    keep_with(scene, changed, read.live)
    shown = dataclasses.replace(changed, shots=tuple(s for s in changed.shots if s.name in kept_as.values()))
    return make_blocker(scene, shown, blocker, {kept_as[n]: place.offset for n, place in read.places.items()})


def floor_under(surfaces: Iterable[Surface], point_m: np.ndarray) -> float:
    """Height of the highest level surface below a point (or a step above it); of the datum where there is none."""
    heights = [
        float(s.origin[2])
        for s in surfaces
        if s.radius_m == 0 and s.normal[2] > 0.999 and contains(s.outline_uv, to_surface(s, point_m)[None])[0]
    ]
    below = [height for height in heights if height <= point_m[2] + STEP_M]
    return max(below) if below else min(heights, default=0.0)


def export_to(scene: bpy.types.Scene, path: Path, kind: str) -> str:
    """Export the stage; returns what was written, in words."""
    count = export_stage(scene, path, kind)
    return f"Exported {count} objects to {path.name}"


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What a rehearsal needs to know of a scene."""

    read: SceneRead
    solids: occluders.Solids
    folder: Path  # where files that the plan names are looked for

    @property
    def plan(self) -> Plan:
        """The scene's plan."""
        return self.read.plan

    @property
    def digest(self) -> str:
        """A fingerprint of everything a rehearsal depends on."""
        return f"{digest(self.plan)} {self.solids.digest()}"

    @property
    def hiders(self) -> Hiders:
        """What hides features."""
        return self.solids.hiders(self.plan, self.read.scene_frame, self.folder)


def look(scene: bpy.types.Scene) -> Generator[Progress, None, Look]:
    """Read the plan and every performer's mesh. Raises BadInput where there is nothing to rehearse."""
    read = read_scene(scene)
    mark.require_whole(scene, read.plan)
    frames = read.scene_frames(read.plan.shots)
    solids = yield from occluders.capture(scene, read.blockers, read.gear, frames)
    return Look(read, solids, plan_folder(scene))


def rehearse_scene(scene: bpy.types.Scene) -> Generator[Progress, None, tuple[Rehearsal, ...]]:
    """Score every shot of the scene in chunks; at the end remembers the result, and shows the markers that were scored.

    Until then it touches nothing. Where markers had to move, that is one step of undo.
    """
    seen = yield from look(scene)
    done, moved = yield from _rehearse(scene, seen)
    if moved:
        bpy.ops.ed.undo_push(message="Rehearse")
    return done


def _rehearse(scene: bpy.types.Scene, seen: Look) -> Generator[Progress, None, tuple[tuple[Rehearsal, ...], int]]:
    layout, hiders, done = planned_layout(seen.plan, seen.folder), seen.hiders, []
    for shot in seen.plan.shots:
        done.append((yield from rehearse_shot(seen.plan, layout, shot, seen.folder, hiders)))
    moved = markers_as_planned(scene, seen.plan, layout)
    STORE.remember(scene, seen.digest, tuple(done))
    LIVES.begin(scene, seen.read, seen.solids, seen.folder, tuple(done))
    return tuple(done), moved


def bake_scene(scene: bpy.types.Scene) -> Iterator[Progress]:
    """Bake the last rehearsal, or a new one where the scene has changed since."""
    seen = yield from look(scene)
    if not STORE.holds(scene, seen.digest):
        yield from _rehearse(scene, seen)
    bake(scene, STORE.last(scene))


def lost_frames(rehearsals: tuple[Rehearsal, ...]) -> str:
    """One sentence with the numbers of a rehearsal."""
    frames = sum(len(r.readiness.state) for r in rehearsals)
    counts = [sum(int((r.readiness.state == state).sum()) for r in rehearsals) for state in range(3)]
    return f"{len(rehearsals)} shots, {frames} frames: {counts[0]} firm, {counts[1]} thin, {counts[2]} lost"
