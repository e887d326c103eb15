"""What a button does, as sentences: read the scene, ask the engine, write the scene."""

from __future__ import annotations

import dataclasses
from collections.abc import Generator, Iterator
from pathlib import Path

import bpy
from scatterproof.plan.model import Plan, Stand
from scatterproof.plan.read import load_plan, parse_plan
from scatterproof.plan.templates import compose, example, template_names
from scatterproof.plan.write import dump_plan, save_text, updated
from scatterproof.problems import BadInput, one_problem
from scatterproof.readiness.rehearse import Hiders, Progress, Rehearsal, rehearse_shot
from scatterproof.sightings.need import planned_layout

from .bridge import mark, occluders, standing, tags
from .bridge.bake import bake
from .bridge.placing import metres_per_unit
from .bridge.scene import (
    Live,
    SceneRead,
    build_scene,
    collection_named,
    keep_text,
    paint_materials,
    plan_folder,
    plan_text,
    read_plan,
    read_scene,
)
from .store import STORE, digest

STAND_BANDS = (0.5, 1.0, 1.5, 2.0)  # m


def build_from_template(scene: bpy.types.Scene, kind: str, name: str) -> Plan:
    """Build a whole example plan, or a stage template with sensible markers, camera and move."""
    text = example(name) if kind == "plans" else compose_stage(name)
    file = parse_plan(text, name)
    build_scene(scene, file.plan, plan_folder(), file.text)
    return file.plan


def compose_stage(stage: str) -> str:
    """A stage template as a whole plan: the first camera package, a push, markers that suit its size."""
    markers = ["tabletop-small"] if stage == "tabletop" else ["wall-scatter", "floor-scatter"]
    return compose(stage=stage, camera=template_names("cameras")[0], markers=markers, moves=["push"], name=stage)


def open_plan(scene: bpy.types.Scene, path: Path) -> Plan:
    """Build the scene from a plan file."""
    file = load_plan(path)
    build_scene(scene, file.plan, path.parent, file.text)
    return file.plan


def save_plan(scene: bpy.types.Scene, path: Path) -> None:
    """Write the scene's plan, edits by hand included."""
    save_text(path, current_text(scene))


def current_text(scene: bpy.types.Scene) -> str:
    """The plan's text with what has changed in the scene; written anew where it can't be edited in place."""
    try:
        return plan_text(scene)
    except BadInput:
        return dump_plan(read_plan(scene))


def store_plan(scene: bpy.types.Scene, plan: Plan, live: Live) -> None:
    """Keep a changed plan in the scene, with the comments of the old one."""
    try:
        text = updated(parse_plan(str(scene.get(tags.PLAN, ""))), plan)
    except BadInput:
        text = dump_plan(plan)
    keep_text(scene, text, live)


def scatter_again(scene: bpy.types.Scene, seed: int) -> Plan:
    """Scatter every marker set anew with another seed; markers moved by hand (placed sets) stay where they are."""
    read = read_scene(scene)
    plan = read.plan
    if not any(s.layout != "placed" for s in plan.markers):
        raise one_problem("markers", "none that can be scattered", "a marker set with the layout scatter or grid")
    sets = tuple(
        s if s.layout == "placed" else dataclasses.replace(s, seed=seed + row) for row, s in enumerate(plan.markers)
    )
    changed = dataclasses.replace(plan, markers=sets)
    store_plan(scene, changed, read.live)
    build_scene(scene, changed, plan_folder(), str(scene[tags.PLAN]), read.live)
    return changed


def add_stand(scene: bpy.types.Scene) -> bpy.types.Object:
    """Stand a pole with four bands at the 3D cursor."""
    read = read_scene(scene)
    plan = read.plan
    taken = {stand.name for stand in plan.stands}
    number = next(i for i in range(1, len(taken) + 2) if f"stand {i}" not in taken)
    at = [v * metres_per_unit(scene) for v in scene.cursor.location]
    paints = [paint.name for paint in plan.paints]
    paint = "band" if "band" in paints else next((p for p in paints if p != plan.stage.paint), paints[0])
    stand = Stand(name=f"stand {number}", at=(at[0], at[1]), base=at[2], height=2.2, bands=STAND_BANDS, paint=paint)
    store_plan(scene, dataclasses.replace(plan, stands=(*plan.stands, stand)), read.live)
    return standing.make_stand(collection_named(scene, "Stands"), scene, stand, paint_materials(plan))


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What a rehearsal needs to know of a scene."""

    read: SceneRead
    solids: occluders.Solids

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
        return self.solids.hiders(self.plan, self.read.scene_frame, plan_folder())


def look(scene: bpy.types.Scene) -> Generator[Progress, None, Look]:
    """Read the plan and every performer's mesh. Raises BadInput where there is nothing to rehearse."""
    read = read_scene(scene)
    mark.require_whole(scene, read.plan)
    frames = read.scene_frames(read.plan.shots)
    return Look(read, (yield from occluders.capture(scene, read.blockers, read.gear, frames)))


def rehearse_scene(scene: bpy.types.Scene) -> Generator[Progress, None, tuple[Rehearsal, ...]]:
    """Score every shot of the scene in chunks; remembers the result at the end, touches the scene never."""
    seen = yield from look(scene)
    return (yield from _rehearse(scene, seen))


def _rehearse(scene: bpy.types.Scene, seen: Look) -> Generator[Progress, None, tuple[Rehearsal, ...]]:
    layout, hiders, done = planned_layout(seen.plan, plan_folder()), seen.hiders, []
    for shot in seen.plan.shots:
        done.append((yield from rehearse_shot(seen.plan, layout, shot, plan_folder(), hiders)))
    STORE.remember(scene, seen.digest, tuple(done))
    return tuple(done)


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
