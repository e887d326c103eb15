"""A plan file that stands by itself: meshes that hide features go into OBJ files beside it, with their paths as keys.

What a plan cannot say stays in the .blend, and is told: performers that deform, and what leans over as it moves.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from pathlib import Path

import numpy as np
from scatterproof.plan.model import Blocker, Gear, Plan
from scatterproof.problems import BadInput
from scatterproof.sightings.meshes import read_obj

from . import mark, standing
from .occluders import ABSENT, Solid, Solids
from .placing import turn_of, upright
from .scene import SceneRead

OURS = "# Written by scatterproof; changes here are lost when its plan is saved again."
UPRIGHT_RAD = 1e-3  # leaning less than this is no leaning


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Standalone:
    """A plan with its mesh files, and what had to stay behind."""

    plan: Plan
    files: dict[str, str]  # name -> text
    notes: tuple[str, ...]


def stand_alone(read: SceneRead, solids: Solids, path: Path) -> Standalone:
    """The scene's plan with every mesh that hides as a file beside ``path``; files of the plan's own that fit stay."""
    books = _Books(path)
    planned = {blocker.name for blocker in read.plan.blockers}
    own = {name: solid for name, solid in solids.blockers.items() if name not in planned}
    known = tuple(
        books.with_file(blocker, solids.blockers[blocker.name]) if blocker.name in solids.blockers else blocker
        for blocker in read.plan.blockers
    )
    made = [blocker for name, solid in own.items() for blocker in books.blockers(read, name, solid)]
    gear = tuple(books.gear(g, solids.gear[g.name]) if g.name in solids.gear else g for g in read.plan.gear)
    plan = dataclasses.replace(read.plan, blockers=(*known, *made), gear=gear)
    return Standalone(plan, books.files, tuple(books.notes))


class _Books:
    """Files to write and notes to tell."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.files: dict[str, str] = {}
        self.notes: list[str] = []

    def blockers(self, read: SceneRead, name: str, solid: Solid) -> Iterable[Blocker]:
        """A marked object as a mesh blocker; as one for each shot where its paths differ."""
        found = upright_path(solid)
        if solid.deforms:
            self.notes.append(f"{name!r} deforms: it hides in the .blend only")
            return
        if found is None:
            self.notes.append(f"{name!r} leans over as it moves: it hides in the .blend only")
            return
        if (solid.shape == ABSENT).any():
            self.notes.append(f"{name!r} comes and goes in the .blend; in the plan it is always there")
        matrices, own_from_shape = found
        vertices = solid.shapes[0].vertices_m @ own_from_shape.T
        size = np.maximum(np.ptp(vertices, axis=0), mark.SHORTEST_M)
        made = Blocker(
            name=name,
            kind="mesh",
            size=mark.three(size),
            file=self.file(name, vertices, solid.shapes[0].triangles, ""),
            at=mark.three(matrices[0, :3, 3]),
            turn=turn_of(matrices[0]),
        )
        spans = {s.name: np.arange(s.frames[0], s.frames[1] + 1) for s in read.plan.shots}
        paths = {n: matrices[np.searchsorted(solid.frame, f + read.places[n].offset)] for n, f in spans.items()}
        if all(np.ptp(path, axis=0).max() < 1e-5 for path in (matrices, *paths.values())):
            yield made
            return
        yield from standing.by_shot(made, {n: (spans[n].tolist(), path) for n, path in paths.items()}, ())

    def with_file(self, blocker: Blocker, solid: Solid) -> Blocker:
        """A blocker built from a mesh file, with a file that shows it as it is now."""
        found = upright_path(solid)
        if solid.deforms or found is None:
            self.notes.append(f"{blocker.name!r} deforms or leans in the .blend; the plan keeps the mesh it had")
            return blocker
        shape = solid.shapes[0]
        file = self.file(blocker.name, shape.vertices_m @ found[1].T, shape.triangles, blocker.file)
        return dataclasses.replace(blocker, file=file)

    def gear(self, gear: Gear, solid: Solid) -> Gear:
        """Gear with a file of its shape."""
        shape, pose = solid.shapes[0], solid.world_from_shape[0]
        world = shape.vertices_m @ pose[:3, :3].T + pose[:3, 3]
        vertices = (world - gear.at) @ upright((0, 0, 0), gear.turn)[:3, :3]
        return dataclasses.replace(gear, file=self.file(gear.name, vertices, shape.triangles, gear.file))

    def file(self, name: str, vertices: np.ndarray, triangles: np.ndarray, old: str) -> str:
        """The name of a file beside the plan with this mesh: the old one where it has it, else one to be written."""
        if old and _holds(self.path.parent / old, vertices, triangles):
            return old
        plain = "".join(c if c.isalnum() or c in "-_" else "-" for c in f"{self.path.stem}-{name}")[:100]
        file, number = f"{plain}.obj", 2
        while file in self.files or not _may_write(self.path.parent / file):
            file, number = f"{plain}-{number}.obj", number + 1
        self.files[file] = obj_text(name, vertices, triangles)
        return file


def upright_path(solid: Solid) -> tuple[np.ndarray, np.ndarray] | None:
    """A rigid solid as something that only turns about the vertical.

    returns : (S, 4, 4) upright matrices, and (3, 3) from the shape's axes to those; None where it leans as it goes
    """
    turns = solid.world_from_shape[:, :3, :3]
    own_from_shape = upright((0, 0, 0), -turn_of(turns[0]))[:3, :3] @ turns[0]
    left = turns @ own_from_shape.T
    if np.hypot(left[:, 2, 0], left[:, 2, 1]).max() > UPRIGHT_RAD:
        return None
    matrices = solid.world_from_shape.copy()
    matrices[:, :3, :3] = left
    return matrices, own_from_shape


def obj_text(name: str, vertices: np.ndarray, triangles: np.ndarray) -> str:
    """A mesh as an OBJ file: metres, Z up, to a hundredth of a millimetre."""
    lines = [OURS, f"o {name}"]
    lines += [f"v {x:.5f} {y:.5f} {z:.5f}" for x, y, z in vertices.tolist()]
    lines += [f"f {a} {b} {c}" for a, b, c in (triangles + 1).tolist()]
    return "\n".join(lines) + "\n"


def _holds(path: Path, vertices: np.ndarray, triangles: np.ndarray) -> bool:
    try:
        there = read_obj(path)
    except BadInput:
        return False
    return (
        there[0].shape == vertices.shape
        and bool(np.abs(there[0] - vertices).max() < 2e-5)
        and np.array_equal(there[1], triangles)
    )


def _may_write(path: Path) -> bool:
    """Whether nothing is there, or a file that was written here."""
    try:
        with path.open(encoding="utf-8", errors="replace") as stream:
            return stream.readline().startswith(OURS)
    except FileNotFoundError:
        return True
    except OSError:
        return False
