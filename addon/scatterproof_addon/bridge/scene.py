"""A whole plan into a scene, and a whole scene back into its plan."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from scatterproof.camera.track import camera_track
from scatterproof.plan.model import Blocker, MarkerSet, Plan, Shot, Stand
from scatterproof.plan.paint import linear_of
from scatterproof.plan.read import parse_plan
from scatterproof.plan.write import dump_plan, updated
from scatterproof.problems import one_problem
from scatterproof.sightings.blockers import Placed, build_occluders, path_of
from scatterproof.sightings.need import planned_layout
from scatterproof.stage.layout import Layout
from scatterproof.stage.surfaces import Surface, build_surfaces, corner_patches

from . import cameras, mark, markers, standing, surfaces, tags
from .cameras import Evaluated
from .evaluate import evaluate
from .folders import keep_folder, plan_folder
from .materials import paint_material
from .meshes import fill_mesh
from .placing import metres_per_unit, object_named, place, upright, world_from_object_m
from .settle import settle
from .stubs import camera_of, has, mesh_of, triple

STAND_METAL = (0.02, 0.02, 0.022)  # matt black tube
BLOCKER_GREY = (0.35, 0.35, 0.37)


# --- the timeline -------------------------------------------------------------------------------------------------


def timeline(plan: Plan, live: Iterable[str] = ()) -> dict[str, int]:
    """Scene frame minus plan frame of every shot: none where no two shots share frames, else one after the other.

    live : shots by cameras that no plan built; they keep the scene's own frames
    """
    offsets = dict.fromkeys(live, 0)
    built = [shot for shot in plan.shots if shot.name not in offsets]
    spans = sorted(shot.frames for shot in built)
    if all(a[1] < b[0] for a, b in itertools.pairwise(spans)):
        return offsets | {shot.name: 0 for shot in built}
    free = 1
    for shot in built:
        offsets[shot.name] = free - shot.frames[0]
        free += shot.frames[1] - shot.frames[0] + 1
    return offsets


# --- plan to scene ------------------------------------------------------------------------------------------------


def build_scene(
    scene: bpy.types.Scene, plan: Plan, folder: Path, text: str | None = None, live: Live = frozenset()
) -> Layout:
    """Replace what stands for a plan in ``scene`` by ``plan``: objects, cameras, keys, timeline.

    folder : where mesh files of blockers and gear are looked for
    text : the plan's own text, so that comments survive; else it is written anew
    live : entries that objects made by hand stand for, as :func:`read_scene` tells them: nothing is built for these
    Raises BadInput before anything in the scene is touched.
    """
    layout = planned_layout(plan, folder)
    tracks = {shot.name: camera_track(plan, shot) for shot in plan.shots}
    solids = _solids(plan, folder)
    clear_scene(scene)
    keep_text(scene, text if text is not None else dump_plan(plan), live)
    keep_folder(scene, plan, folder)
    materials = paint_materials(plan)
    screen = _screen_paints(plan)
    for surface in layout.surfaces:
        if ("surface", surface.name) in live:
            continue
        surfaces.make_surface(
            collection_named(scene, "Stage"), scene, surface, materials[surface.paint or screen[surface.name]]
        )
    for patch in corner_patches(plan.stage):
        thing = object_named(collection_named(scene, "Stage"), patch.name, bpy.data.meshes.new(patch.name))
        vertices = patch.vertices_m / metres_per_unit(scene)
        fill_mesh(mesh_of(thing), vertices, patch.triangles, [materials[patch.paint or plan.stage.paint]], smooth=True)
        place(thing, scene, np.eye(4))
        tags.tag(thing, "corner", patch.name)
    for row, marker_set in enumerate(plan.markers):
        if ("markers", marker_set.name) in live:
            continue
        markers.make_markers(
            collection_named(scene, "Markers"), scene, layout, row, marker_set, materials[marker_set.paint]
        )
    for stand in plan.stands:
        standing.make_stand(collection_named(scene, "Stands"), scene, stand, materials)
    for gear in plan.gear:
        if ("gear", gear.name) not in live:
            standing.make_gear(collection_named(scene, "Gear"), scene, gear, solids.get(("gear", gear.name)), materials)
    offsets = timeline(plan, _live_names(live, "shot"))
    for blocker in plan.blockers:
        _make_blocker(scene, plan, blocker, solids["blocker", blocker.name], offsets)
    built = [shot for shot in plan.shots if ("shot", shot.name) not in live]
    for shot in built:
        camera = cameras.make_shot(
            collection_named(scene, "Cameras"), scene, plan, shot, tracks[shot.name], offsets[shot.name]
        )
        pin = scene.timeline_markers.new(shot.name, frame=shot.frames[0] + offsets[shot.name])
        pin.camera = camera
    if built:
        _set_range(scene, dataclasses.replace(plan, shots=tuple(built)), offsets)
    return layout


def make_blocker(scene: bpy.types.Scene, plan: Plan, blocker: Blocker, offsets: Mapping[str, int]) -> bpy.types.Object:
    """One more blocker of a plan that is built already; ``offsets``: scene frame minus plan frame, by shot."""
    (solid,) = _solids(dataclasses.replace(plan, blockers=(blocker,), gear=()), plan_folder(scene)).values()
    return _make_blocker(scene, plan, blocker, solid, offsets)


def _make_blocker(
    scene: bpy.types.Scene, plan: Plan, blocker: Blocker, solid: Placed, offsets: Mapping[str, int]
) -> bpy.types.Object:
    spans = [
        (*shot.frames, offsets[shot.name]) for shot in plan.shots if not blocker.shots or shot.name in blocker.shots
    ]
    grey = paint_material("blocker", BLOCKER_GREY)
    return standing.make_blocker(collection_named(scene, "Blockers"), scene, blocker, solid, grey, spans)


Live = frozenset[tuple[str, str]]  # ("surface", "markers", "gear" or "shot"; the plan entry's name)


def keep_text(scene: bpy.types.Scene, text: str, live: Live) -> None:
    """Keep a plan in the scene."""
    scene[tags.PLAN], scene[tags.LIVE] = text, _live_names(live, "shot")


def _live_names(live: Live, part: str) -> list[str]:
    return [name for kind, name in live if kind == part]


def clear_scene(scene: bpy.types.Scene) -> int:
    """Remove every object, collection and timeline marker made from a plan; returns how many objects."""
    ours = [thing for thing in scene.objects if tags.part_of(thing)]
    for pin in list(scene.timeline_markers):
        if pin.camera is not None and tags.part_of(pin.camera):
            scene.timeline_markers.remove(pin)
    data = {thing.data for thing in ours if thing.data is not None}
    actions = {
        owner.animation_data.action
        for thing in ours
        for owner in (thing, thing.data)
        if owner is not None and owner.animation_data is not None and owner.animation_data.action is not None
    }
    for thing in ours:
        bpy.data.objects.remove(thing, do_unlink=True)
    for block in data:
        if block.users == 0:
            bpy.data.batch_remove([block])
    bpy.data.batch_remove([action for action in actions if action.users == 0])
    for collection in list(scene.collection.children_recursive):
        if has(collection, tags.PART) and not collection.objects and not collection.children:
            bpy.data.collections.remove(collection)
    for key in (tags.PLAN, tags.LIVE, tags.FOLDER, *tags.SURVEY):
        scene.pop(key, None)
    return len(ours)


def collection_named(scene: bpy.types.Scene, name: str) -> bpy.types.Collection:
    """Our collection of this plain name in the scene, made when first asked for."""
    for child in scene.collection.children:
        if child.get(tags.PART) == name:
            return child
    made = bpy.data.collections.new(name)
    made[tags.PART] = name
    scene.collection.children.link(made)
    return made


def paint_materials(plan: Plan) -> dict[str, bpy.types.Material]:
    """The materials of the plan's paints by name, and of the stands' metal."""
    made = {paint.name: paint_material(paint.name, linear_of(paint).tolist()) for paint in plan.paints}
    made["stand metal"] = paint_material("stand metal", STAND_METAL)
    return made


def _screen_paints(plan: Plan) -> dict[str, str]:
    flat = surfaces.flat_surfaces(plan.stage)
    return {s.name: s.paint or plan.stage.paint for s in flat} | {c.name: plan.stage.paint for c in plan.stage.coves}


def _solids(plan: Plan, folder: Path) -> dict[tuple[str, str], Placed]:
    """The solid of every blocker, whichever shots it is in, and of every piece of gear that is a mesh."""
    blockers = tuple(dataclasses.replace(blocker, shots=()) for blocker in plan.blockers)
    gear = tuple(piece for piece in plan.gear if piece.file)
    keys = [("blocker", blocker.name) for blocker in blockers] + [("gear", piece.name) for piece in gear]
    if not keys:
        return {}
    probe = Shot(name="", camera="", frames=(0, 0))
    found = build_occluders(dataclasses.replace(plan, blockers=blockers, gear=gear), probe, np.zeros(1, int), folder)
    return {key: solid for key, solid in zip(keys, found, strict=True) if isinstance(solid, Placed)}


def _set_range(scene: bpy.types.Scene, plan: Plan, offsets: dict[str, int]) -> None:
    scene.frame_start = min(shot.frames[0] + offsets[shot.name] for shot in plan.shots)
    scene.frame_end = max(shot.frames[1] + offsets[shot.name] for shot in plan.shots)
    first = min(plan.shots, key=lambda shot: shot.frames[0] + offsets[shot.name])
    scene.camera = next(t for t in tags.tagged(scene, "shot") if tags.entry_of(t) == first.name)
    rate = round(first.rate)
    scene.render.fps, scene.render.fps_base = rate, rate / first.rate
    cameras.show_gate(scene, next(camera for camera in plan.cameras if camera.name == first.camera))
    scene.frame_set(scene.frame_start)


# --- scene to plan ------------------------------------------------------------------------------------------------


def has_plan(scene: bpy.types.Scene) -> bool:
    """Whether this scene holds a plan, or objects marked by hand that make one."""
    return has(scene, tags.PLAN) or mark.any_marked(scene)


def stored_plan(scene: bpy.types.Scene) -> Plan:
    """The plan as it was when the scene was last built or read; an empty one where only marked objects make one.

    Raises BadInput where there are none either.
    """
    if not has_plan(scene):
        raise one_problem(
            f"scene {scene.name!r}", "no plan", "a stage built from a plan or a template, or marked objects"
        )
    if not has(scene, tags.PLAN):
        return mark.blank_plan(scene)
    return parse_plan(str(scene[tags.PLAN]), f"plan of scene {scene.name!r}").plan


def plan_text(scene: bpy.types.Scene) -> str:
    """The scene as plan text: what the person wrote, comments included, with what has changed in the scene since."""
    if not has(scene, tags.PLAN):
        return dump_plan(read_plan(scene))
    kept = parse_plan(str(scene[tags.PLAN]), f"plan of scene {scene.name!r}")
    return updated(kept, read_plan(scene))


def read_plan(scene: bpy.types.Scene) -> Plan:
    """The plan that the scene shows now, edits by hand and marked objects included.

    What the scene cannot show (paint readings, criteria, seeds) is taken from the stored plan. Raises BadInput where
    the scene holds no plan, and where marked objects make none.
    """
    return read_scene(scene).plan


@dataclasses.dataclass(frozen=True, slots=True)
class ShotPlace:
    """A shot in the scene: its camera, and where its frames lie."""

    camera: bpy.types.Object
    offset: int  # scene frame minus plan frame


def shot_places(scene: bpy.types.Scene, old: Plan | None = None) -> dict[str, ShotPlace]:
    """Every shot of the scene by its name now; ``old``: its stored plan."""
    live = mark.live_shots(scene)
    offsets = timeline(old or stored_plan(scene), {*live, *scene.get(tags.LIVE, ())})
    built = {n: ShotPlace(t, offsets[origin]) for t, origin, n in tags.named(scene, "shot") if origin in offsets}
    return built | {name: ShotPlace(shot.camera, 0) for name, shot in live.items()}


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class SceneRead:
    """A scene as a plan, and what in it no plan built."""

    plan: Plan
    live: Live
    blockers: dict[str, bpy.types.Object]  # what hides by its own mesh, by name
    gear: dict[str, bpy.types.Object]
    places: dict[str, ShotPlace]

    def scene_frame(self, shot: Shot, frames: np.ndarray) -> np.ndarray:
        """Scene frames of a shot's plan frames."""
        return frames + self.places[shot.name].offset

    def scene_frames(self, shots: Iterable[Shot]) -> list[int]:
        """Every scene frame of these shots."""
        return sorted({f + self.places[s.name].offset for s in shots for f in range(s.frames[0], s.frames[1] + 1)})


def read_scene(scene: bpy.types.Scene, apart: bool = False) -> SceneRead:
    """The plan that the scene shows now, with the objects behind it. Raises BadInput as :func:`read_plan`.

    apart : read scattered markers that somebody moved as sets beside those they were scattered with
    """
    old = stored_plan(scene)
    for layer in scene.view_layers:  # where things are is known only after an update
        layer.update()
    planned = build_surfaces(old.stage)
    live = mark.live_shots(scene)
    offsets = timeline(old, {*live, *scene.get(tags.LIVE, ())})
    seen = _evaluate(scene, old, offsets, live)
    hand = mark.Reading(scene, old, list(old.paints))
    hand.require_still(seen)
    flat = _read_flat(scene, old)
    renamed = _renames(scene, ("floor", "wall", "panel"))
    coves = [
        dataclasses.replace(cove, name=name, between=tuple(renamed.get(s, s) for s in cove.between))
        for cove, name in _entries(scene, "cove", old.stage.coves)
        if all(renamed.get(s, s) in {f.name for f in flat} for s in cove.between)
    ]
    taken = {s.name for s in (*flat, *coves)}
    eyes = [matrix[:3, 3] for t in _cameras(scene, live) for matrix, *_ in seen[t.name].values()]
    flat += hand.screens(taken, np.array(eyes).reshape(-1, 3))
    renamed |= _renames(scene, ("cove",)) | hand.renamed
    stage = surfaces.with_surfaces(old.stage, flat, coves)
    names = {s.name for s in (*flat, *coves)}
    shadows = tuple(
        dataclasses.replace(shadow, surface=renamed.get(shadow.surface, shadow.surface))
        for shadow in old.stage.shadows
        if renamed.get(shadow.surface, shadow.surface) in names
    )
    keepouts = tuple(
        dataclasses.replace(keep, surface=renamed.get(keep.surface, keep.surface))
        for keep in old.keepouts
        if renamed.get(keep.surface, keep.surface) in names
    )
    set_names = set[str]()
    sets = [
        dataclasses.replace(kept, name=mark.unused(kept.name, set_names))
        for thing, origin, name in _in_order(scene, "markers", [s.name for s in old.markers])
        for kept in _read_set(thing, scene, planned, old, origin, name, renamed, names, apart)
    ]
    more_sets, free_panels = hand.markers(set_names, taken, stage)
    stage = dataclasses.replace(stage, panels=(*stage.panels, *free_panels), shadows=shadows)
    gear = [
        (thing, standing.read_gear(thing, scene, entry, name))
        for thing, entry, name in _with_entry(scene, "gear", old.gear)
    ]
    more_gear, gear_things = hand.gear({piece.name for _, piece in gear})
    shots, packages = _read_shots(scene, old, offsets, seen)
    built = dataclasses.replace(old, stage=stage, cameras=packages, shots=shots)
    more_packages, more_shots = hand.shots(built, seen)
    more_names = {camera.name for camera in more_packages}
    other_shots = (shot for shot in old.shots if ("shot", shot.name) not in hand.entries)
    shown = dataclasses.replace(old, shots=(*other_shots, *more_shots))
    shot_names = _renames(scene, ("shot",))
    all_shots = (*shots, *more_shots)
    blockers = tuple(_read_blockers(scene, shown, offsets, seen, shot_names, {shot.name for shot in all_shots}))
    hand.finish()
    plan = dataclasses.replace(
        built,
        paints=tuple(hand.paints),
        keepouts=keepouts,
        markers=(*sets, *more_sets),
        stands=read_stands(scene, old),
        gear=(*(piece for _, piece in gear), *more_gear),
        blockers=blockers,
        cameras=(*(c for c in packages if c.name not in more_names), *more_packages),
        shots=all_shots,
    )
    if hand.entries:
        plan = parse_plan(dump_plan(plan), f"scene {scene.name!r}").plan
    return SceneRead(
        plan,
        frozenset(hand.entries),
        _mesh_blockers(scene, plan),
        {piece.name: thing for thing, piece in gear if piece.file} | gear_things,
        shot_places(scene, old),
    )


def read_stands(scene: bpy.types.Scene, old: Plan) -> tuple[Stand, ...]:
    """The stands that the scene shows now; ``old``: its stored plan."""
    found = _with_entry(scene, "stand", old.stands)
    return tuple(standing.read_stand(thing, scene, entry, name) for thing, entry, name in found)


def _cameras(scene: bpy.types.Scene, live: Mapping[str, mark.LiveShot]) -> list[bpy.types.Object]:
    """Every camera that shoots, once."""
    found = [*tags.tagged(scene, "shot"), *(shot.camera for shot in live.values())]
    return list({thing.name: thing for thing in found}.values())


def _mesh_blockers(scene: bpy.types.Scene, plan: Plan) -> dict[str, bpy.types.Object]:
    """Objects that hide by their own mesh, by name: those that stand for mesh files, and marked ones."""
    files = {blocker.name for blocker in plan.blockers if blocker.kind == "mesh"}
    found = {name: thing for thing, _, name in tags.named(scene, "blocker") if name in files}
    taken = {blocker.name for blocker in plan.blockers}
    return found | {mark.unused(mark.clean(t.name), taken): t for t in mark.marked(scene, "blocker")}


def _in_order(scene: bpy.types.Scene, part: str, order: Iterable[str]) -> list[tuple[bpy.types.Object, str, str]]:
    """(object, origin, name) of a part in the plan's order; duplicates follow at the end."""
    rank = {name: row for row, name in enumerate(order)}
    seen: set[str] = set()
    found = []
    for thing, origin, name in tags.named(scene, part):
        found.append((rank.get(origin, len(rank)) if origin not in seen else len(rank), thing, origin, name))
        seen.add(origin)
    return [entry[1:] for entry in sorted(found, key=lambda e: e[0])]


def _with_entry(scene: bpy.types.Scene, part: str, entries: Iterable[Any]) -> list[tuple[bpy.types.Object, Any, str]]:
    by_name = {entry.name: entry for entry in entries}
    return [
        (thing, by_name[origin], name) for thing, origin, name in _in_order(scene, part, by_name) if origin in by_name
    ]


def _entries(scene: bpy.types.Scene, part: str, entries: Iterable[Any]) -> list[tuple[Any, str]]:
    return [(entry, name) for _, entry, name in _with_entry(scene, part, entries)]


def _renames(scene: bpy.types.Scene, parts: Iterable[str]) -> dict[str, str]:
    """Plan name -> name now, for the first object of each origin."""
    names: dict[str, str] = {}
    for part in parts:
        for _, origin, name in tags.named(scene, part):
            names.setdefault(origin, name)
    return names


_READ_FLAT: dict[str, Callable[..., Any]] = {
    "floor": surfaces.read_floor,
    "wall": surfaces.read_wall,
    "panel": surfaces.read_panel,
}


def _read_flat(scene: bpy.types.Scene, old: Plan) -> list[Any]:
    entries = {"floor": old.stage.floors, "wall": old.stage.walls, "panel": old.stage.panels}
    return [
        _READ_FLAT[part](thing, scene, entry, name)
        for part, known in entries.items()
        for thing, entry, name in _with_entry(scene, part, known)
    ]


def _read_set(
    thing: bpy.types.Object,
    scene: bpy.types.Scene,
    planned: Sequence[Surface],
    old: Plan,
    origin: str,
    name: str,
    renamed: dict[str, str],
    names: set[str],
    apart: bool,
) -> Iterable[MarkerSet]:
    known = next((s for s in old.markers if s.name == origin), None)
    for read in markers.read_markers(thing, scene, planned, known, name, apart) if known is not None else ():
        kept = tuple(renamed.get(s, s) for s in read.surfaces if renamed.get(s, s) in names)
        placed = tuple(
            dataclasses.replace(p, surface=renamed.get(p.surface, p.surface))
            for p in read.placed
            if renamed.get(p.surface, p.surface) in names
        )
        if kept and (placed or read.layout != "placed"):
            yield dataclasses.replace(read, surfaces=kept, placed=placed)


def markers_as_planned(scene: bpy.types.Scene, plan: Plan, layout: Layout) -> int:
    """Put markers that nobody touched where a plan read from the scene has them now; returns how many sets moved.

    A scatter keeps clear of stands and follows what cameras see: after one of these was moved its places are others.
    """
    row_of = {marker_set.name: row for row, marker_set in enumerate(plan.markers)}
    late = [
        (thing, row_of[name])
        for thing, _, name in tags.named(scene, "markers")
        if name in row_of and not markers.is_as_planned(thing, scene, layout, row_of[name])
    ]
    paints = paint_materials(plan) if late else {}
    for thing, row in late:
        markers.fill_markers(thing, scene, layout, row, paints[plan.markers[row].paint])
    return len(late)


def _evaluate(
    scene: bpy.types.Scene, old: Plan, offsets: dict[str, int], live: Mapping[str, mark.LiveShot]
) -> dict[str, dict[int, Any]]:
    """Per object name: matrices and lens values at the scene frames of each shot it matters to."""
    built = tags.tagged(scene, "shot")
    frames = {f + offsets[s.name] for s in old.shots if built for f in range(s.frames[0], s.frames[1] + 1)}
    frames |= {frame for shot in live.values() for frame in range(shot.first, shot.last + 1)}
    still = [thing for part in mark.STILL for thing in mark.marked(scene, part)]
    return evaluate(scene, frames, _cameras(scene, live), [*tags.tagged(scene, "blocker"), *still])


def _evaluated(taken: dict[int, Any], shot: Shot, offset: int) -> Evaluated:
    return Evaluated.of([taken[frame + offset] for frame in range(shot.frames[0], shot.frames[1] + 1)])


def _read_shots(
    scene: bpy.types.Scene, old: Plan, offsets: dict[str, int], seen: dict[str, dict[int, Any]]
) -> tuple[tuple[Shot, ...], tuple[Any, ...]]:
    points = {tags.entry_of(t): world_from_object_m(t, scene)[:3, 3] for t in tags.tagged(scene, "action point")}
    packages = {camera.name: camera for camera in old.cameras}
    shots = []
    for thing, entry, name in _with_entry(scene, "shot", old.shots):
        package = packages[entry.camera]
        read = cameras.package_from_blender(camera_of(thing), cameras.picture_of(package), package, package.name)
        if read != package:
            label = package.name if all(s.camera != package.name or s is entry for s in old.shots) else f"{name} camera"
            packages[label] = dataclasses.replace(read, name=label)
            entry = dataclasses.replace(entry, camera=label)
        evaluated = _evaluated(seen[thing.name], entry, offsets[tags.entry_of(thing)])
        plan = dataclasses.replace(old, cameras=tuple(packages.values()))
        entry = _with_constants(entry, plan, evaluated)
        entry = cameras.read_move(plan, entry, thing, evaluated, offsets[tags.entry_of(thing)])
        point = points.get(tags.entry_of(thing))
        if point is not None:
            entry = dataclasses.replace(entry, action_point=settle(entry.action_point, triple(point)))
        shots.append(dataclasses.replace(entry, name=name))
    return tuple(shots), tuple(packages.values())


def _with_constants(shot: Shot, plan: Plan, seen: Evaluated) -> Shot:
    """Focal length, focus and stop that hold all shot long, where they are no longer the plan's."""
    planned = camera_track(plan, shot)
    changed: dict[str, Any] = {}
    for name, values, known in (
        ("focal_length", seen.focal_mm, planned.focal_mm),
        ("focus", seen.focus_m, planned.focus_m),
        ("stop", seen.stop, planned.stop),
    ):
        steady = np.ptp(values) < 1e-4 and np.ptp(known) < 1e-4
        if steady and abs(values[0] - known[0]) > 1e-5 * max(1.0, abs(known[0])):
            changed[name] = float(values[0])
    return dataclasses.replace(shot, **changed) if changed else shot


def _read_blockers(
    scene: bpy.types.Scene,
    old: Plan,
    offsets: dict[str, int],
    seen: dict[str, dict[int, Any]],
    shot_names: dict[str, str],
    shots_left: set[str],
) -> Iterable[Blocker]:
    """Blockers with their paths; one whose paths in two shots now differ becomes one blocker per shot."""
    for thing, entry, name in _with_entry(scene, "blocker", old.blockers):
        present = [s for s in old.shots if not entry.shots or s.name in entry.shots]
        kept = tuple(n for n in (shot_names.get(s, s) for s in entry.shots) if n in shots_left)
        if entry.shots and not kept:
            continue
        paths = {s.name: _path(seen[thing.name], s, offsets[s.name]) for s in present}
        planned = {s.name: _planned_path(entry, s) for s in present}
        moving = dataclasses.replace(entry, size=standing.size_of(thing, scene, entry))
        if all(_same_path(paths[n], planned[n]) for n in paths):
            still = standing.read_still(thing, scene, entry, name) if not entry.keys else moving
            yield dataclasses.replace(still, name=name, shots=kept)
            continue
        if np.ptp(np.concatenate(list(paths.values())), axis=0).max() < 1e-5:
            still = standing.read_still(thing, scene, entry, name)
            yield dataclasses.replace(still, keys=(), shots=kept)
            continue
        frames = {s.name: list(range(s.frames[0], s.frames[1] + 1)) for s in present}
        named = {shot_names.get(n, n): (frames[n], path) for n, path in paths.items()}
        yield from standing.by_shot(dataclasses.replace(moving, name=name), named, kept)


def _path(taken: dict[int, np.ndarray], shot: Shot, offset: int) -> np.ndarray:
    return np.stack([taken[frame + offset] for frame in range(shot.frames[0], shot.frames[1] + 1)])


def _planned_path(blocker: Blocker, shot: Shot) -> np.ndarray:
    at, turn = path_of(blocker, np.arange(shot.frames[0], shot.frames[1] + 1))
    return np.stack([upright(a, t) for a, t in zip(at, turn, strict=True)])


def _same_path(a: np.ndarray, b: np.ndarray) -> bool:
    return bool(np.abs(a - b).max() < 2e-4)
