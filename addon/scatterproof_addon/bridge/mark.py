"""Scenes made by hand: objects that people mark, and what they are in a plan.

A mark is a property of its own on the object, apart from what objects built from a plan carry: nothing that rebuilds or
clears a plan touches a marked object. Whenever the plan is read from the scene, marked objects are looked at afresh.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from scatterproof.plan.check import outline_fault
from scatterproof.plan.model import Camera, Gear, MarkerSet, Paint, Panel, Plan, Shot, Stage
from scatterproof.plan.paint import linear_of
from scatterproof.problems import BadInput, Problem
from scatterproof.stage.surfaces import Surface, build_surfaces, normal_at, to_surface

from . import cameras, flat, tags
from .cameras import Evaluated, Picture
from .markers import off_surface, placed_on
from .materials import paint_name_of, shown_colour
from .occluders import MESHLIKE
from .placing import is_upright, metres_per_unit, turn_of
from .settle import settle
from .stubs import camera_of, has

MARK = "scatterproof_mark"
CHOICES = [
    ("screen", "Screen", "Green screen: every flat part is a surface, painted on the side of its normal"),
    ("markers", "Markers", "Every face is a marker on the screen that it lies on"),
    ("blocker", "Blocker", "Hides what is behind it: performers and set pieces, moving and deforming as they like"),
    ("gear", "Gear", "Stands still; its corners and loose vertices help the solve"),
    ("camera", "Camera", "Shoots the scene's frames, or those that the timeline gives it"),
    ("nothing", "Nothing", "Does not count any longer"),
]
STILL = ("screen", "markers", "gear")

# The paints of the templates (measured patches of an invented stage; the marker is half a stop above the screen).
DEFAULT_PAINTS = (
    Paint(name="screen", srgb=(70, 148, 73)),
    Paint(name="marker", srgb=(83, 173, 87)),
    Paint(name="band", srgb=(232, 119, 34)),
)
MOST_FACES = 100_000  # of one marked screen, marker mesh or piece of gear
MOST_PARTS = 200  # flat parts of one screen
MOST_POINTS = 64  # hard points of one piece of gear
OFF_M = 0.02  # a marker farther from every screen than this stands free
ASKEW = math.cos(math.radians(10))  # and one turned away from it by more than 10 degrees
SHORTEST_M = 0.01  # a flat part thinner than this is an edge, not a screen
MOVES_M = 1e-3
SMALLEST_M = 0.002  # square root of a marker's area


# --- marking ----------------------------------------------------------------------------------------------------


def mark_objects(scene: bpy.types.Scene, objects: Sequence[bpy.types.Object], part: str) -> str:
    """Let objects count as a part, or no longer ("nothing"); rigs and empties pass it on to what hangs from them.

    Returns what was done, in words. Raises BadInput where none of them can be that, and then has changed nothing.
    """
    meant = _with_children(objects, "CAMERA" if part == "camera" else "")
    if part == "nothing":
        marked = [thing for thing in meant if has(thing, MARK)]
        for thing in marked:
            del thing[MARK]
        return f"{_count(len(marked), 'object')} no longer marked"
    refused = {thing.name: why for thing in meant if (why := _refusal(thing, part))}
    chosen = [thing for thing in meant if thing.name not in refused]
    if not chosen:
        wanted = f"objects that can be {part}"
        raise BadInput([Problem(repr(name), why, wanted) for name, why in refused.items()] or [_nothing(wanted)])
    for thing in chosen:
        thing[MARK], thing[tags.ENTRY] = part, clean(thing.name)
    words = f"Marked {_count(len(chosen), 'object')} as {part}{_amount(scene, chosen, part)}"
    return words + "".join(f"; {name!r} left out: {why}" for name, why in refused.items())


def _with_children(objects: Iterable[bpy.types.Object], kind: str) -> list[bpy.types.Object]:
    """The objects; instead of rigs and empties what hangs from them."""
    found: dict[str, bpy.types.Object] = {}
    for thing in objects:
        group = thing.type in ("ARMATURE", "EMPTY") and not thing.is_instancer
        fits = [c for c in thing.children_recursive if c.type == kind or (not kind and c.type in MESHLIKE)]
        for one in fits if group and fits else [thing]:
            found[one.name] = one
    return list(found.values())


def _refusal(thing: bpy.types.Object, part: str) -> str:
    """Why an object cannot be a part; empty where it can."""
    if thing.library is not None:  # what is written on it would be gone when the file is opened again
        return "linked from another file; make a library override or a local copy of it"
    if tags.part_of(thing):
        return f"built from the plan as {tags.part_of(thing)}"
    if part == "camera":
        if thing.type != "CAMERA":
            return f"no camera but a {thing.type.lower()}"
        return "" if camera_of(thing).type == "PERSP" else "a camera without perspective"
    if thing.type not in MESHLIKE and not thing.is_instancer:
        return f"no mesh but a {thing.type.lower()}"
    vertices, faces, _ = world_mesh(thing, bpy.context.evaluated_depsgraph_get(), 1.0)
    if len(faces) > MOST_FACES and part != "blocker":
        return f"{len(faces)} faces, more than {MOST_FACES}"
    if part == "gear":
        return "" if len(flat.hard_corners(vertices, faces, MOST_POINTS)) else "no corners and no loose vertices"
    return "" if len(faces) or (part == "blocker" and thing.is_instancer) else "no faces"


def _amount(scene: bpy.types.Scene, things: Sequence[bpy.types.Object], part: str) -> str:
    if part in ("blocker", "camera"):
        return ""
    graph, unit = bpy.context.evaluated_depsgraph_get(), metres_per_unit(scene)
    meshes = [world_mesh(thing, graph, unit)[:2] for thing in things]
    if part == "screen":
        return f": {_count(sum(len(_screens(flat.flat_parts(*mesh))) for mesh in meshes), 'flat part')}"
    if part == "markers":
        return f": {_count(sum(len(faces) for _, faces in meshes), 'marker')}"
    return f": {_count(sum(len(flat.hard_corners(*mesh, MOST_POINTS)) for mesh in meshes), 'hard point')}"


def _count(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"


def _nothing(wanted: str) -> Problem:
    return Problem("selection", "nothing", wanted)


def marked(scene: bpy.types.Scene, part: str) -> list[bpy.types.Object]:
    """Objects of this scene marked as a part, by name."""
    return sorted((t for t in scene.objects if t.get(MARK) == part), key=lambda t: t.name)


def any_marked(scene: bpy.types.Scene) -> bool:
    """Whether anything in the scene is marked."""
    return any(has(thing, MARK) for thing in scene.objects)


def clean(name: str) -> str:
    """An object's name as a plan's name: printable, no space at its ends."""
    kept = "".join(c if c.isprintable() else " " for c in name).strip()[:80].strip()
    return kept or "unnamed"


def unused(name: str, taken: set[str]) -> str:
    """The name, or the next with a number that nothing else has; takes it."""
    free, number = name, 2
    while free in taken:
        free, number = f"{name} {number}", number + 1
    taken.add(free)
    return free


# --- cameras ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LiveShot:
    """Frames that a camera of the scene's own shoots."""

    camera: bpy.types.Object
    first: int
    last: int


def live_shots(scene: bpy.types.Scene) -> dict[str, LiveShot]:
    """Shots by cameras that no plan built, by name: marked ones, or where nothing else shoots the scene's own.

    A camera that the timeline's markers call shoots from its marker to the next one; others all frames of the scene.
    """
    taken = {name for _, _, name in tags.named(scene, "shot")}
    bound = sorted((m for m in scene.timeline_markers if m.camera), key=lambda m: m.frame)
    things = marked(scene, "camera")
    if not things and not taken:
        called = {mark.camera.name: mark.camera for mark in bound}
        things = list(called.values()) or [scene.camera] * (scene.camera is not None)
    shots = {}
    for thing in things:
        for first, last in _stretches(scene, bound, thing) or [(scene.frame_start, scene.frame_end)]:
            shots[unused(clean(thing.name), taken)] = LiveShot(thing, first, last)
    return shots


def _stretches(scene: bpy.types.Scene, bound: Sequence[Any], thing: bpy.types.Object) -> list[tuple[int, int]]:
    stops = [mark.frame - 1 for mark in bound[1:]] + [scene.frame_end]
    mine = [(mark.frame, stop) for mark, stop in zip(bound, stops, strict=False) if mark.camera == thing]
    spans = [(max(first, scene.frame_start), stop) for first, stop in mine]
    return [(first, last) for first, last in spans if last >= first]


# --- reading ----------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Reading:
    """What marked objects amount to, gathered for one plan."""

    scene: bpy.types.Scene
    old: Plan
    paints: list[Paint]
    problems: list[Problem] = dataclasses.field(default_factory=list)
    entries: set[tuple[str, str]] = dataclasses.field(default_factory=set)  # (part, name) that objects stand for
    renamed: dict[str, str] = dataclasses.field(default_factory=dict)  # surfaces' names when marked -> now

    def meshes(self, part: str) -> Iterator[tuple[bpy.types.Object, np.ndarray, list[np.ndarray], np.ndarray]]:
        """(object, world vertices in metres, faces, material rows) of every object marked as a part."""
        graph = self.scene.view_layers[0].depsgraph
        for thing in marked(self.scene, part):
            if thing.hide_viewport or thing.name not in self.scene.view_layers[0].objects:
                self.wrong(thing, "switched off in viewports or left out of the view layer", "switched on")
                continue
            vertices, faces, rows = world_mesh(thing, graph, metres_per_unit(self.scene))
            if len(faces) > MOST_FACES:
                self.wrong(thing, f"{len(faces)} faces", f"at most {MOST_FACES}")
                continue
            yield thing, vertices, faces, rows

    def wrong(self, thing: bpy.types.Object, found: str, expected: str) -> None:
        """Remember a problem of a marked object."""
        self.problems.append(Problem(f"{thing.get(MARK)} {thing.name!r}", found, expected))

    def require_still(self, seen: Mapping[str, Mapping[int, Any]]) -> None:
        """Tell screens, markers and gear that move."""
        for thing in (thing for part in STILL for thing in marked(self.scene, part)):
            path = np.array(list(seen[thing.name].values()))
            if len(path) and np.ptp(path, axis=0).max() > MOVES_M:
                self.wrong(thing, "something that moves", "something that stands still; what moves is a blocker")

    def finish(self) -> None:
        """Raises BadInput with every problem found."""
        if self.problems:
            raise BadInput(self.problems)

    def paint(self, material: bpy.types.Material | None, default: str) -> str:
        """The name of a material's paint, which the plan gets where it is new; ``default`` without a material."""
        if material is None:
            if default not in {paint.name for paint in self.paints}:
                self.paints += [paint for paint in DEFAULT_PAINTS if paint.name == default]
            return default
        known = {paint.name: paint for paint in self.paints}
        name, colour = clean(paint_name_of(material)), np.clip(shown_colour(material), 0, 1)
        while name in known:
            if np.abs(linear_of(known[name]) - colour).max() < 1e-3:
                return name
            name += "*"
        red, green, blue = (round(float(c), 6) for c in colour)
        self.paints.append(Paint(name=name, linear=(red, green, blue)))
        return name

    # screens

    def screens(self, taken: set[str], eyes_m: np.ndarray) -> list[Panel]:
        """Every flat part of the marked screens; of screens with several, those that some camera has before it.

        eyes_m : (E, 3) where cameras are, in all frames
        """
        panels = []
        for thing, vertices, faces, rows in self.meshes("screen"):
            parts = _screens(flat.flat_parts(vertices, faces))
            if not 0 < len(parts) <= MOST_PARTS:
                self.wrong(thing, f"{len(parts)} flat parts", f"1 to {MOST_PARTS} parts larger than 1 cm")
                continue
            was, base = str(thing.get(tags.ENTRY, "")), clean(thing.name)
            for number, part in enumerate(parts, 1):
                suffix = f" {number}" if len(parts) > 1 else ""
                name = unused(base + suffix, taken)
                self.renamed[was + suffix] = name
                before = (eyes_m - part.corner) @ part.normal
                if len(parts) > 1 and len(eyes_m) and not (before > 0).any():
                    continue
                panels.append(self._panel(name, part, self._material(thing, rows[part.faces])))
        return panels

    def _panel(self, name: str, part: flat.FlatPart, material: bpy.types.Material | None) -> Panel:
        old = next((p for p in self.old.stage.panels if p.name == name), None)
        paint = self.paint(material, self.old.stage.paint)
        made = Panel(
            name=name,
            corner=three(part.corner),
            across=three(part.across),
            up=three(part.up),
            paint="" if paint == self.old.stage.paint else paint,
            light=old.light if old else 1.0,
        )
        self.entries.add(("surface", name))
        return settle(old, made) if old else made

    def _material(self, thing: bpy.types.Object, rows: np.ndarray) -> bpy.types.Material | None:
        """The material of most of these faces."""
        row = int(np.bincount(rows).argmax()) if len(rows) else 0
        return thing.material_slots[row].material if row < len(thing.material_slots) else None

    # markers

    def markers(self, taken: set[str], taken_surfaces: set[str], stage: Stage) -> tuple[list[MarkerSet], list[Panel]]:
        """One placed set per marked mesh and material, and panels for markers that stand free of every screen."""
        sets, panels = [], []
        surfaces = build_surfaces(stage)
        for thing, vertices, faces, rows in self.meshes("markers"):
            if not self._sound(thing, vertices, faces):
                continue
            where = [_nearest(surfaces, vertices[face]) for face in faces]
            loose = [row for row, surface in enumerate(where) if surface is None]
            made = self._free_panels(thing, vertices, [faces[row] for row in loose], taken_surfaces)
            panels += made
            free = build_surfaces(Stage(paint=stage.paint, panels=tuple(made)))
            for row in loose:
                where[row] = _nearest(free, vertices[faces[row]])
            for material in np.unique(rows):
                placed = tuple(
                    placed_on(surface, vertices[face])
                    for face, surface, own in zip(faces, where, rows, strict=True)
                    if own == material and surface is not None
                )
                name = unused(clean(thing.name), taken)
                self.entries.add(("markers", name))
                new = MarkerSet(
                    name=name,
                    surfaces=tuple(dict.fromkeys(p.surface for p in placed)),
                    layout="placed",
                    paint=self.paint(self._material(thing, np.array([material])), "marker"),
                    placed=placed,
                )
                old = next((s for s in self.old.markers if s.name == name and s.layout == "placed"), None)
                sets.append(dataclasses.replace(new, placed=settle(old.placed, placed)) if old else new)
        return sets, panels

    def _sound(self, thing: bpy.types.Object, vertices: np.ndarray, faces: Sequence[np.ndarray]) -> bool:
        """Whether every face can be a marker; tells which cannot."""
        told = len(self.problems)
        normals = flat.face_normals(vertices, faces)
        for row, (face, normal) in enumerate(zip(faces, normals, strict=True)):
            area = float(np.linalg.norm(normal))
            if math.sqrt(area) < SMALLEST_M:
                self.wrong(thing, f"face {row} of {1000 * math.sqrt(area):.1f} mm", "markers larger than 2 mm")
                continue
            up = flat.upright_in(normal / area)
            uv = np.stack([vertices[face] @ np.cross(up, normal / area), vertices[face] @ up], axis=1)
            if fault := outline_fault([(float(u), float(v)) for u, v in uv]):
                self.wrong(thing, f"face {row}: {fault}", "faces that are simple polygons")
        if not faces:
            self.wrong(thing, "no faces", "one face per marker")
        return len(self.problems) == told

    def _free_panels(
        self, thing: bpy.types.Object, vertices: np.ndarray, faces: Sequence[np.ndarray], taken: set[str]
    ) -> list[Panel]:
        """The rectangles around markers that share a plane away from every screen."""
        normals = flat.face_normals(vertices, faces)
        groups: list[tuple[np.ndarray, np.ndarray, list[int]]] = []
        for row, face in enumerate(faces):
            unit, middle = normals[row] / np.linalg.norm(normals[row]), vertices[face].mean(axis=0)
            for normal, point, members in groups:
                if unit @ normal > math.cos(flat.FLAT_RAD) and abs((middle - point) @ normal) < OFF_M / 4:
                    members.append(row)
                    break
            else:
                groups.append((unit, middle, [row]))
        panels = []
        for number, (normal, _, members) in enumerate(groups, 1):
            points = vertices[np.unique(np.concatenate([faces[row] for row in members]))]
            corner, across, up, normal = flat.rectangle(points, normal)
            wide, high = np.linalg.norm(across), np.linalg.norm(up)
            across, up = across * max(1.0, 1.01 * SHORTEST_M / wide), up * max(1.0, 1.01 * SHORTEST_M / high)
            name = unused(f"{clean(thing.name)} plane {number}", taken)
            panels.append(self._panel(name, flat.FlatPart(np.array(members), corner, across, up, normal), None))
        return panels

    # gear

    def gear(self, taken: set[str]) -> tuple[list[Gear], dict[str, bpy.types.Object]]:
        """Marked gear as boxes with hard points, and the objects that hide as it."""
        found, things = [], {}
        for thing, vertices, faces, rows in self.meshes("gear"):
            points = flat.hard_corners(vertices, faces, MOST_POINTS)
            if not len(points):
                self.wrong(thing, "no corners and no loose vertices", "corners; a blocker has no need of any")
                continue
            matrix = np.array(thing.evaluated_get(self.scene.view_layers[0].depsgraph).matrix_world, float)
            turn = turn_of(matrix) if is_upright(matrix) else 0.0
            c, s = math.cos(turn), math.sin(turn)
            own = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
            low, high = (vertices @ own.T).min(axis=0), (vertices @ own.T).max(axis=0)
            foot = np.array([*(low[:2] + high[:2]) / 2, low[2]])
            name = unused(clean(thing.name), taken)
            self.entries.add(("gear", name))
            old = next((g for g in self.old.gear if g.name == name), None)
            made = Gear(
                name=name,
                at=three(foot @ own),
                size=three(np.maximum(high - low, SHORTEST_M)),
                turn=turn,
                points=tuple(three(p) for p in points @ own.T - foot),
                file=old.file if old else "",
                paint=self.paint(self._material(thing, rows), "band"),
            )
            found.append(settle(old, made) if old else made)
            if len(faces):
                things[name] = thing
        return found, things

    # shots

    def shots(self, plan: Plan, seen: Mapping[str, Mapping[int, Any]]) -> tuple[list[Camera], list[Shot]]:
        """Cameras of the scene's own as packages and shots.

        seen : what was evaluated of each camera, by object name and scene frame
        """
        render = self.scene.render
        picture = Picture(render.resolution_x, render.resolution_y, render.pixel_aspect_x, render.pixel_aspect_y)
        taken = {shot.camera for shot in plan.shots}
        packages: dict[str, Camera] = {}
        shots = []
        for name, live in live_shots(self.scene).items():
            thing, data = live.camera, camera_of(live.camera)
            if data.type != "PERSP":
                found = f"a camera of type {data.type.lower()}"
                self.problems.append(Problem(f"camera {thing.name!r}", found, "one with perspective"))
                continue
            rows = [seen[thing.name][frame] for frame in range(live.first, live.last + 1)]
            evaluated = Evaluated.of(rows)
            if thing.name not in packages:
                label = unused(clean(thing.name), taken)
                old_package = next((c for c in self.old.cameras if c.name == label), None)
                packages[thing.name] = self._package(data, picture, old_package, label, evaluated)
            package = packages[thing.name]
            if not cameras.focuses(data):  # the scene says nothing about focus: what the package says
                steady = np.ones(len(rows))
                evaluated = dataclasses.replace(evaluated, focus_m=package.focus * steady, stop=package.stop * steady)
            old = next((s for s in self.old.shots if s.name == name), None)
            frames = live.first, live.last
            new = Shot(name=name, camera=package.name, frames=frames, action_point=_aimed(data, evaluated))
            base = dataclasses.replace(
                old or new,
                camera=package.name,
                frames=frames,
                rate=render.fps / render.fps_base,
                focal_length=None,
                focus=None,
                stop=None,
                move=None,
                keys=(),
                samples=(),
            )
            base = _own_constants(base, package, evaluated)
            with_all = dataclasses.replace(plan, cameras=(*plan.cameras, package))
            made = cameras.move_from(with_all, base, thing, evaluated, 0)
            self.entries.add(("shot", name))
            shots.append(settle(old, made) if old else made)
        return list(packages.values()), shots

    def _package(
        self, data: bpy.types.Camera, picture: Picture, old: Camera | None, name: str, seen: Evaluated
    ) -> Camera:
        package = cameras.package_from_blender(data, picture, old, name)
        said: dict[str, Any] = {"focal_length": float(seen.focal_mm[0])}
        if cameras.focuses(data):
            said |= {"stop": float(seen.stop[0]), "focus": max(float(seen.focus_m[0]), 0.05)}
        if self.scene.render.use_motion_blur:
            said["shutter"] = min(self.scene.render.motion_blur_shutter * 2 * math.pi, 2 * math.pi)
        return settle(package, dataclasses.replace(package, **said), 1e-5)


def _own_constants(shot: Shot, package: Camera, seen: Evaluated) -> Shot:
    """The shot with what its lens does all shot long, where the package says otherwise."""
    said = {
        name: float(values[0])
        for name, values, known in (
            ("focal_length", seen.focal_mm, package.focal_length),
            ("focus", seen.focus_m, package.focus),
            ("stop", seen.stop, package.stop),
        )
        if np.ptp(values) < 1e-4 and abs(values[0] - known) > 1e-5 * max(1.0, abs(known))
    }
    return dataclasses.replace(shot, **said)  # type: ignore[arg-type]


def _aimed(data: bpy.types.Camera, seen: Evaluated) -> tuple[float, float, float]:
    """Where the camera is focused at first; the datum where nothing is said about focus."""
    if not cameras.focuses(data):
        return (0.0, 0.0, 0.0)
    return three(seen.world_from_cam[0] @ [0, 0, seen.focus_m[0], 1])


def three(values: Any) -> tuple[float, float, float]:
    """A place as the plan keeps it."""
    x, y, z = (round(float(v), 6) + 0.0 for v in values[:3])  # a micrometre: what single precision leaves of it
    return x, y, z


def _screens(parts: Sequence[flat.FlatPart]) -> list[flat.FlatPart]:
    """Flat parts that are no mere edges."""
    return [p for p in parts if min(np.linalg.norm(p.across), np.linalg.norm(p.up)) > SHORTEST_M]


def _nearest(surfaces: Sequence[Surface], outline_m: np.ndarray) -> Surface | None:
    """The surface that a marker lies on, if it lies on one: the nearest that faces its way, else the nearest."""
    normal = flat.face_normals(outline_m, [np.arange(len(outline_m))])[0]
    centre = outline_m.mean(axis=0)
    near = []
    for surface in surfaces:
        facing = float(normal_at(surface, to_surface(surface, centre)) @ normal) / float(np.linalg.norm(normal))
        gap = off_surface(surface, centre)
        if gap < OFF_M and abs(facing) > ASKEW:
            near.append((facing < 0, gap, surface))
    return min(near, key=lambda entry: entry[:2])[2] if near else None


def world_mesh(
    thing: bpy.types.Object, graph: bpy.types.Depsgraph, unit: float
) -> tuple[np.ndarray, list[np.ndarray], np.ndarray]:
    """World vertices (V, 3) in metres, faces (counter-clockwise about their normals), each face's material row."""
    evaluated = thing.evaluated_get(graph)
    mesh = evaluated.to_mesh() if thing.type in MESHLIKE else None
    if mesh is None:
        return np.zeros((0, 3)), [], np.zeros(0, int)
    co = np.empty(3 * len(mesh.vertices), np.float32)
    mesh.vertices.foreach_get("co", co)
    faces = [np.array(polygon.vertices) for polygon in mesh.polygons]
    rows = np.array([polygon.material_index for polygon in mesh.polygons], int)
    evaluated.to_mesh_clear()
    world = np.array(evaluated.matrix_world, float)
    if np.linalg.det(world[:3, :3]) < 0:
        faces = [face[::-1] for face in faces]
    return (co.reshape(-1, 3).astype(float) @ world[:3, :3].T + world[:3, 3]) * unit, faces, rows


# --- plans that begin with marks --------------------------------------------------------------------------------


def blank_plan(scene: bpy.types.Scene) -> Plan:
    """The plan of a scene that was never built from one: paints, and nothing else."""
    units = "ft" if scene.unit_settings.system == "IMPERIAL" else "m"
    return Plan(name=clean(scene.name), units=units, paints=DEFAULT_PAINTS, stage=Stage(paint="screen"))


def require_whole(scene: bpy.types.Scene, plan: Plan) -> None:
    """Raises BadInput where a scene lacks what a rehearsal needs: a camera, and something to track."""
    wanted = []
    if not plan.shots:
        wanted.append(Problem("cameras", "none", "a camera: the scene's own, or objects marked as camera"))
    if not plan.markers and not plan.stands and not plan.gear:
        screen = plan.stage.panels or plan.stage.floors or plan.stage.walls
        found = "nothing to track" if screen else "no screen and nothing to track"
        wanted.append(Problem("stage", found, "objects marked as markers, as screen or as gear, or a built stage"))
    if wanted:
        raise BadInput([dataclasses.replace(problem, file=f"scene {scene.name!r}") for problem in wanted])
