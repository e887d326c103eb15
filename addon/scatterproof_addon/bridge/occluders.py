"""Blockers and gear by mesh: what hides features is the evaluated mesh itself, wherever and however it moves.

Every object is read once per frame. While its mesh and scale stay the same it is one rigid shape with a path, and lines
of sight are turned into the shape's own axes; where they change it has one shape per change, and the tree over one is
refitted to the next.

The engine's tree answers, not mathutils': on performers of 4,000 and 65,000 triangles a line of sight takes it 2.2 and
3.3 microseconds (mathutils 1.1 and 2.2), but the exact window takes it 1.7 and 6.5 where walking mathutils' nearest
points to the same exactness takes 35 and 170, and a ring of rays would look past whatever is thinner than its gaps.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Generator, Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path

import bpy
import numpy as np
from scatterproof.plan.model import Gear, Plan, Shot
from scatterproof.problems import one_problem
from scatterproof.readiness.rehearse import Hiders, Progress
from scatterproof.sightings.blockers import HAIR, Mesh, Occluder, build_occluders
from scatterproof.sightings.bvh import build_bvh, refitted
from scatterproof.stage.placing import box_corners, gear_points

from .placing import metres_per_unit
from .stubs import held
from .sweep import sweep

SAME_M = 1e-5  # vertices nearer than this to where they were have not moved
MOST_BYTES = 2_000_000_000  # for the shapes of deforming performers
ABSENT = -1


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """A mesh in its own rigid axes, metres."""

    vertices_m: np.ndarray  # (V, 3) float32
    triangles: np.ndarray  # (T, 3) int32

    def sphere(self) -> tuple[np.ndarray, float]:
        """Centre (3,) and radius of a sphere around it."""
        used = self.vertices_m[self.triangles.ravel()].astype(float)
        middle: np.ndarray = (used.min(axis=0) + used.max(axis=0)) / 2
        return middle, float(np.linalg.norm(used - middle, axis=1).max())


@dataclass(frozen=True, slots=True, eq=False)
class Solid:
    """One object over S scene frames."""

    name: str
    frame: np.ndarray  # (S,) int, rising
    world_from_shape: np.ndarray  # (S, 4, 4) rigid, metres
    shape: np.ndarray  # (S,) int    row of ``shapes``, ABSENT where it does not show
    shapes: tuple[Shape, ...]

    @property
    def deforms(self) -> bool:
        """Whether it takes more than one shape."""
        return len(self.shapes) > 1

    def at(self, frames: np.ndarray, own_m: np.ndarray | None = None) -> SolidMesh:
        """The occluder at scene frames (F,) that were captured.

        own_m : (P, 3) hard points that it carries, world
        """
        rows = np.searchsorted(self.frame, frames)
        pose, shape = self.world_from_shape[rows], self.shape[rows]
        own = np.zeros((0, 3)) if own_m is None else (own_m - pose[0, :3, 3]) @ pose[0, :3, :3]
        spheres = [each.sphere() for each in self.shapes]
        middle = np.array([m for m, _ in spheres])[np.maximum(shape, 0)]
        centre = np.einsum("fij,fj->fi", pose[:, :3, :3], middle) + pose[:, :3, 3]
        return SolidMesh(self.name, self, pose, shape, centre, max(r for _, r in spheres), own)


@dataclass(slots=True, eq=False)
class SolidMesh:
    """A :class:`Solid` over the F frames of a shot: an occluder of the engine. Keeps the tree of its last shape."""

    name: str
    solid: Solid
    world_from_shape: np.ndarray  # (F, 4, 4)
    shape: np.ndarray  # (F,) int
    centre_m: np.ndarray  # (F, 3)
    radius_m: float
    own_m: np.ndarray  # (P, 3) in its own axes
    _tree: tuple[int, Mesh] | None = field(default=None, repr=False)

    def hides(self, frame: np.ndarray, eye_m: np.ndarray, point_m: np.ndarray, window_rad: np.ndarray) -> np.ndarray:
        """See the engine's Occluder."""
        hidden = np.zeros(len(frame), bool)
        which = self.shape[frame]
        for row in np.unique(which[which != ABSENT]):
            mine = np.flatnonzero(which == row)
            pose = self.world_from_shape[frame[mine]]
            start, end = (
                np.einsum("rji,rj->ri", pose[:, :3, :3], point[mine] - pose[:, :3, 3]) for point in (eye_m, point_m)
            )
            step = start - end
            length = np.maximum(np.linalg.norm(step, axis=1), 1e-12)
            end += step * np.minimum(HAIR / length, 1)[:, None]
            hidden[mine] = self._mesh(int(row)).stops(start, end, window_rad[mine])
        return hidden

    def mesh_at(self, frame_row: int) -> tuple[np.ndarray, np.ndarray]:
        """See the engine's Occluder."""
        shape, pose = self.solid.shapes[max(int(self.shape[frame_row]), 0)], self.world_from_shape[frame_row]
        return shape.vertices_m @ pose[:3, :3].T + pose[:3, 3], shape.triangles

    def _mesh(self, row: int) -> Mesh:
        if self._tree is None or self._tree[0] != row:
            shape, last = self.solid.shapes[row], self._tree[1] if self._tree else None
            vertices, triangles = shape.vertices_m.astype(float), shape.triangles.astype(np.int64)
            again = last is not None and np.array_equal(last.triangles, triangles)
            tree = refitted(last.bvh, vertices, triangles) if again and last else build_bvh(vertices, triangles)
            self._tree = row, Mesh(vertices, triangles, tree, self.own_m)
        return self._tree[1]


@dataclass(frozen=True, slots=True, eq=False)
class Solids:
    """Everything in a scene that hides by its mesh, by plan name: blockers, and gear."""

    blockers: dict[str, Solid]
    gear: dict[str, Solid]

    def digest(self) -> str:
        """A fingerprint of shapes and paths."""
        sum_ = hashlib.sha256()
        for kind, solids in (("blocker", self.blockers), ("gear", self.gear)):
            for name, solid in solids.items():
                sum_.update(f"{kind} {name}".encode())
                for array in (solid.frame, solid.world_from_shape, solid.shape):
                    sum_.update(np.ascontiguousarray(array).tobytes())
                for shape in solid.shapes:
                    sum_.update(shape.vertices_m.tobytes() + shape.triangles.tobytes())
        return sum_.hexdigest()

    def hiders(self, plan: Plan, scene_frame: Callable[[Shot, np.ndarray], np.ndarray], folder: Path) -> Hiders:
        """What hides features in a shot: these meshes, and what the plan describes otherwise.

        scene_frame : (shot, plan frames (F,)) -> scene frames (F,)
        """

        def at(shot: Shot, frames: np.ndarray) -> tuple[Occluder, ...]:
            def known(blockers: Iterable[object], gear: Iterable[object]) -> tuple[Occluder, ...]:
                part = replace(plan, blockers=tuple(blockers), gear=tuple(gear))  # type: ignore[arg-type]
                return build_occluders(part, shot, frames, folder)

            there = scene_frame(shot, frames)
            bound = {b.name: not b.shots or shot.name in b.shots for b in plan.blockers}
            meshes = [s.at(there) for name, s in self.blockers.items() if bound.get(name, True)]
            gear = [
                self.gear[g.name].at(there, _hard_points(g)) if g.name in self.gear else known((), (g,))[0]
                for g in plan.gear
            ]
            return (*known((b for b in plan.blockers if b.name not in self.blockers), ()), *meshes, *gear)

        return at


def _hard_points(gear: Gear) -> np.ndarray:
    own = np.array(gear.points, float) if gear.points else box_corners(gear.size)
    points: np.ndarray = gear_points(gear.at, gear.turn, own)
    return points


def capture(
    scene: bpy.types.Scene,
    blockers: dict[str, bpy.types.Object],
    gear: dict[str, bpy.types.Object],
    frames: Sequence[int],
) -> Generator[Progress, None, Solids]:
    """Read the meshes of objects at scene frames; yields its progress.

    Raises BadInput where deforming performers would need more memory than is reasonable.
    """
    groups = (blockers, gear)
    tracks = {(kind, name): _Track(thing) for kind in (0, 1) for name, thing in groups[kind].items()}
    if tracks:
        frames = sorted(set(frames))
        unit = metres_per_unit(scene)
        with closing(sweep(scene, frames)) as passing:
            for done, (frame, graph) in enumerate(passing, 1):
                for track in tracks.values():
                    track.read(frame, graph, unit)
                _require_memory(tracks.values())
                yield Progress("reading performers", done, len(frames))
    found = [{name: t.solid(name) for (k, name), t in tracks.items() if k == kind and t.shapes} for kind in (0, 1)]
    return Solids(*found)


class _Track:
    """One object's shapes and poses while frames go by."""

    def __init__(self, thing: bpy.types.Object) -> None:
        self.thing = thing
        self.frames: list[int] = []
        self.poses: list[np.ndarray] = []
        self.rows: list[int] = []
        self.shown: list[bool] = []
        self.shapes: list[Shape] = []
        self.faces: tuple[Faces, ...] = ()  # of the last shape
        self.stretch = np.eye(3)  # shape from mesh, of the last shape

    def read(self, frame: int, graph: bpy.types.Depsgraph, unit: float) -> None:
        evaluated = self.thing.evaluated_get(graph)
        world = np.array(evaluated.matrix_world, float)
        turn, stretch = rigid_and_stretch(world[:3, :3])
        pose = np.eye(4)
        pose[:3, :3], pose[:3, 3] = turn, world[:3, 3] * unit
        self.frames.append(frame)
        self.poses.append(pose)
        self.shown.append(not evaluated.hide_render)
        faces = evaluated_faces(self.thing, graph, self.faces)
        if not any(len(part.triangles) for part in faces):
            self.rows.append(ABSENT)
            return
        reach = max(np.abs(part.co).max(initial=0.0) + np.abs(part.own_from_mesh[:3, 3]).max() for part in faces) * unit
        same = len(faces) == len(self.faces) and all(a is b for a, b in zip(faces, self.faces, strict=True))
        if not (same and self.shapes and np.abs(stretch - self.stretch).max() * reach < SAME_M):
            self.faces, self.stretch = faces, stretch
            vertices, triangles = joined(faces)
            self.shapes.append(Shape((vertices @ stretch.T * unit).astype(np.float32), triangles))
        self.rows.append(len(self.shapes) - 1)

    def solid(self, name: str) -> Solid:
        shown, rows = np.array(self.shown), np.array(self.rows)
        if shown.any():  # a stand-in that is never rendered hides all the same
            rows = np.where(shown, rows, ABSENT)
        return Solid(name, np.array(self.frames), np.array(self.poses), rows, tuple(self.shapes))


def _require_memory(tracks: Iterable[_Track]) -> None:
    held = {t.thing.name: sum(s.vertices_m.nbytes + s.triangles.nbytes for s in t.shapes) for t in tracks}
    if sum(held.values()) > MOST_BYTES:
        worst = max(held, key=lambda name: held[name])
        raise one_problem(
            f"blocker {worst!r}",
            f"a mesh that changes in every frame and is too fine to keep ({held[worst] / 1e9:.1f} GB so far)",
            "a coarser stand-in: a Decimate modifier does",
        )


def rigid_and_stretch(axes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A (3, 3) matrix as a proper turn times what is left: scale, shear and mirroring (upper triangular)."""
    turn, stretch = np.linalg.qr(axes)
    sign = np.where(np.diag(stretch) < 0, -1.0, 1.0)
    turn, stretch = turn * sign, stretch * sign[:, None]
    return (turn, stretch) if np.linalg.det(turn) > 0 else (-turn, -stretch)


MESHLIKE = ("MESH", "CURVE", "SURFACE", "FONT", "META")


@dataclass(frozen=True, slots=True, eq=False)
class Faces:
    """One evaluated mesh as Blender gave it, and where it stands in the object's own space."""

    co: np.ndarray  # (V, 3) float32, Blender units
    corners: int  # how many corners its faces have
    triangles: np.ndarray  # (T, 3) int32
    own_from_mesh: np.ndarray  # (4, 4)


def evaluated_faces(
    thing: bpy.types.Object, graph: bpy.types.Depsgraph, known: Sequence[Faces] = ()
) -> tuple[Faces, ...]:
    """What an object shows, modifiers and instances included.

    known : the answer for an earlier frame; parts of it that have not changed are given again
    """
    sources = [(thing.evaluated_get(graph), np.eye(4))] if thing.type in MESHLIKE else []
    if thing.is_instancer or any(m.type == "NODES" for m in thing.modifiers):
        own_from_world = np.linalg.inv(np.array(thing.evaluated_get(graph).matrix_world, float))
        sources += [
            (instance.object, own_from_world @ np.array(instance.matrix_world, float))
            for instance in graph.object_instances
            if instance.is_instance
            and instance.parent
            and instance.parent.original == thing
            and instance.object.type in MESHLIKE
        ]
    same_count = len(known) == len(sources)
    return tuple(_faces(*source, known[i] if same_count else None) for i, source in enumerate(sources))


def joined(parts: Sequence[Faces]) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (V, 3), object space in Blender units, and triangles (T, 3) of all parts together."""
    starts = np.cumsum([0, *(len(part.co) for part in parts)])
    placed = [p.co.astype(float) @ p.own_from_mesh[:3, :3].T + p.own_from_mesh[:3, 3] for p in parts]
    triangles = [part.triangles + start for part, start in zip(parts, starts, strict=False)]
    vertices = np.concatenate([np.zeros((0, 3)), *placed])
    return vertices, np.concatenate([np.zeros((0, 3), np.int32), *triangles]).astype(np.int32)


def _faces(evaluated: bpy.types.Object, matrix: np.ndarray, known: Faces | None) -> Faces:
    mesh = evaluated.to_mesh()
    if mesh is None or "position" not in mesh.attributes:  # nothing there
        return Faces(np.zeros((0, 3), np.float32), 0, np.zeros((0, 3), np.int32), matrix)
    co, corners = np.empty((len(mesh.vertices), 3), np.float32), len(mesh.loops)
    held(mesh.attributes["position"], "data").foreach_get("vector", co.ravel())
    if (
        known is None
        or known.corners != corners
        or not np.array_equal(known.co, co)
        or np.abs(known.own_from_mesh - matrix).max() > SAME_M / 10
    ):
        mesh.calc_loop_triangles()
        triangles = np.empty((len(mesh.loop_triangles), 3), np.int32)
        mesh.loop_triangles.foreach_get("vertices", triangles.ravel())
        known = Faces(co, corners, triangles, matrix)
    evaluated.to_mesh_clear()
    return known
