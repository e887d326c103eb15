"""Stands, gear and blockers as objects, and back: what stands on the stage and is moved with the ordinary tools."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence

import bpy
import numpy as np
from scatterproof.plan.model import Blocker, Gear, PathKey, Stand
from scatterproof.sightings.blockers import Placed, Rounded, path_of

from . import animation
from .materials import paint_material
from .meshes import add_attribute, fill_mesh, joined, tube
from .placing import (
    metres_per_unit,
    object_named,
    place,
    scale_of,
    turn_of,
    upright,
    world_from_object_m,
)
from .settle import settle
from .stubs import mesh_of, triple
from .tags import tag

# What a performer wears: matt colours of no screen's hue.
FIGURE = {
    "legs": (0.035, 0.04, 0.06),
    "coat": (0.30, 0.29, 0.31),
    "face": (0.50, 0.33, 0.24),
    "hair": (0.06, 0.045, 0.04),
}
FOOT_M = (0.22, 0.02)  # radius and thickness of a stand's drawn foot


def make_stand(
    collection: bpy.types.Collection, scene: bpy.types.Scene, stand: Stand, materials: Mapping[str, bpy.types.Material]
) -> bpy.types.Object:
    """Pole, bands and foot as one object that stands on its foot; faces of bands carry their number from 1."""
    thing = object_named(collection, stand.name, bpy.data.meshes.new(stand.name))
    shape_stand(thing, scene, stand, materials)
    place(thing, scene, upright((*stand.at, stand.base), 0.0))
    tag(thing, "stand", stand.name)
    return thing


def shape_stand(
    thing: bpy.types.Object, scene: bpy.types.Scene, stand: Stand, materials: Mapping[str, bpy.types.Material]
) -> None:
    """Give a stand's object the mesh of its plan entry."""
    half = stand.band_width / 2
    parts = [
        tube(FOOT_M[0], 0.0, FOOT_M[1], 24),
        tube(stand.pole / 2, FOOT_M[1], stand.height),
        *(tube(stand.pole / 2 + 0.002, band - half, band + half) for band in stand.bands),
    ]
    vertices, faces, origin = joined(parts)
    fill_mesh(
        mesh_of(thing),
        vertices / metres_per_unit(scene),
        faces,
        [materials["stand metal"], materials[stand.paint]],
        (origin > 1).astype(int),
    )
    add_attribute(mesh_of(thing), "band", "FACE", np.maximum(origin - 1, 0))


def read_stand(thing: bpy.types.Object, scene: bpy.types.Scene, old: Stand, name: str) -> Stand:
    """The stand an object now shows: dragged, and stretched where it was scaled."""
    matrix = world_from_object_m(thing, scene)
    wide, _, tall = scale_of(matrix)
    at = matrix[:3, 3]
    moved = dataclasses.replace(
        old,
        at=(float(at[0]), float(at[1])),
        base=float(at[2]),
        height=old.height * float(tall),
        bands=tuple(band * float(tall) for band in old.bands),
        pole=old.pole * float(wide),
    )
    return dataclasses.replace(settle(old, moved), name=name)


def make_gear(
    collection: bpy.types.Collection,
    scene: bpy.types.Scene,
    gear: Gear,
    solid: Placed | None,
    materials: Mapping[str, bpy.types.Material],
) -> bpy.types.Object:
    """A box that stands on its foot, or its mesh where it has one."""
    thing = object_named(collection, gear.name, bpy.data.meshes.new(gear.name))
    if solid is None:
        width, depth, height = gear.size
        x, y = np.array([-1, 1, 1, -1]) * width / 2, np.array([-1, -1, 1, 1]) * depth / 2
        vertices = np.concatenate([np.column_stack([x, y, np.full(4, z)]) for z in (0.0, height)])
        faces = np.array([[3, 2, 1, 0], [4, 5, 6, 7], [0, 1, 5, 4], [1, 2, 6, 5], [2, 3, 7, 6], [3, 0, 4, 7]])
    else:
        vertices, faces = solid.shape.mesh()
    fill_mesh(mesh_of(thing), vertices / metres_per_unit(scene), faces, [materials[gear.paint]])
    place(thing, scene, upright(gear.at, gear.turn))
    tag(thing, "gear", gear.name)
    return thing


def read_gear(thing: bpy.types.Object, scene: bpy.types.Scene, old: Gear, name: str) -> Gear:
    """The gear an object now shows: moved, turned, scaled with its hard points."""
    matrix = world_from_object_m(thing, scene)
    scale = scale_of(matrix)
    at, turn = matrix[:3, 3], turn_of(matrix)
    moved = dataclasses.replace(
        old,
        at=triple(at),
        turn=turn + 2 * np.pi * round((old.turn - turn) / (2 * np.pi)),
        size=triple(np.multiply(old.size, scale)),
        points=tuple(triple(np.multiply(point, scale)) for point in old.points),
    )
    return dataclasses.replace(settle(old, moved), name=name)


def make_blocker(
    collection: bpy.types.Collection,
    scene: bpy.types.Scene,
    blocker: Blocker,
    solid: Placed,
    material: bpy.types.Material,
    spans: Sequence[tuple[int, int, int]],
) -> bpy.types.Object:
    """A performer or set piece; a keyed path is keyed once per shot it is in, at that shot's place on the timeline.

    spans : first and last plan frame and timeline offset of those shots; one that is not in all is seen in these alone
    """
    thing = object_named(collection, blocker.name, bpy.data.meshes.new(blocker.name))
    if isinstance(solid.shape, Rounded) and blocker.kind == "capsule":
        vertices, faces, part = figure(solid.shape)
        clothes = [paint_material(f"figure {name}", colour) for name, colour in FIGURE.items()]
        fill_mesh(mesh_of(thing), vertices / metres_per_unit(scene), faces, clothes, part, smooth=True)
    else:
        vertices, triangles = solid.shape.mesh()
        smooth = blocker.kind == "ellipsoid"
        fill_mesh(mesh_of(thing), vertices / metres_per_unit(scene), triangles, [material], smooth=smooth)
    if blocker.keys:
        _key_path(thing, scene, blocker, spans)
    if blocker.shots:
        _show_in(thing, spans)
    place(thing, scene, upright(blocker.keys[0].at if blocker.keys else blocker.at, blocker.turn))
    tag(thing, "blocker", blocker.name)
    return thing


def figure(capsule: Rounded, around: int = 32) -> tuple[np.ndarray, list[np.ndarray], np.ndarray]:
    """A performer with the very outline of the capsule that hides: legs, coat, hair and a face that looks to +y.

    returns : vertices (V, 3), faces, and of each face its row of ``FIGURE``
    """
    cap, tall = capsule.half_m[2], 2 * capsule.middle_m[2]
    ends = cap * (1 - np.cos(np.linspace(0.06, np.pi / 2, 8)))
    hips, neck = 0.5 * tall, 0.84 * tall
    heights = np.unique(np.round([*ends, *(tall - ends), hips, neck, (neck + tall) / 2], 6))
    off = np.maximum(np.maximum(cap - heights, heights - (tall - cap)), 0) / cap
    wide = np.sqrt(np.maximum(1 - off**2, 0))
    turn = np.arange(around) * (2 * np.pi / around)
    rings = np.stack(
        [
            np.outer(wide, np.cos(turn)) * capsule.half_m[0],
            np.outer(wide, np.sin(turn)) * capsule.half_m[1],
            np.repeat(heights[:, None], around, axis=1),
        ],
        axis=-1,
    )
    row, column = np.divmod(np.arange((len(heights) - 1) * around), around)
    a, b = row * around + column, row * around + (column + 1) % around
    sides = np.stack([a, b, b + around, a + around], axis=1)
    middle = (heights[:-1] + heights[1:])[row] / 2
    front = np.abs(turn[column] + np.pi / around - np.pi / 2) < 0.9
    part = np.select([middle < hips, middle < neck, front & (middle < (neck + tall) / 2 + 0.04 * tall)], [0, 1, 2], 3)
    foot, crown = np.arange(around)[::-1], np.arange(around) + (len(heights) - 1) * around
    return rings.reshape(-1, 3), [*sides, foot, crown], np.concatenate([part, [0, 3]])


def _key_path(
    thing: bpy.types.Object, scene: bpy.types.Scene, blocker: Blocker, spans: Sequence[tuple[int, int, int]]
) -> None:
    """The plan's own keys where they lie within every shot; else one on every frame, lest shots key into each other."""
    inside = all(first <= key.frame <= last for first, last, _ in spans for key in blocker.keys)
    frames: list[int] = []
    at: list[list[float]] = []
    turns: list[list[float]] = []
    modes: list[str] = []
    for first, last, offset in sorted(set(spans), key=lambda span: span[2]) or [(0, 0, 0)]:
        own = np.array([key.frame for key in blocker.keys]) if inside else np.arange(first, last + 1)
        feet, turn = path_of(blocker, own)
        frames += [int(frame) + offset for frame in own]
        at += (feet / metres_per_unit(scene)).tolist()
        turns += [[0.0, 0.0, float(angle)] for angle in turn]
        modes += [key.interpolation for key in blocker.keys] if inside else ["linear"] * len(own)
        modes[-1] = "constant"
    animation.write_keys(thing, "location", frames, at, modes)
    animation.write_keys(thing, "rotation_euler", frames, turns, modes)


def _show_in(thing: bpy.types.Object, spans: Sequence[tuple[int, int, int]]) -> None:
    """Keys that hide it on every frame of the timeline but those of its shots."""
    hidden = {last + offset + 1: 1.0 for _, last, offset in spans}
    hidden |= {first + offset: 0.0 for first, _, offset in spans}  # where a shot begins as another ends it stays
    frames = sorted(hidden)
    for path in ("hide_viewport", "hide_render") if frames else ():
        before = frames[0] - 1
        values = [1.0, *(hidden[frame] for frame in frames)]
        animation.write_keys(thing, path, [before, *frames], values, ["constant"] * len(values))


def read_still(thing: bpy.types.Object, scene: bpy.types.Scene, old: Blocker, name: str) -> Blocker:
    """A blocker that stands still: where it is now, at the size it is now."""
    matrix = world_from_object_m(thing, scene)
    turn = turn_of(matrix)
    moved = dataclasses.replace(
        old,
        at=triple(matrix[:3, 3]),
        turn=turn + 2 * np.pi * round((old.turn - turn) / (2 * np.pi)),
        size=size_of(thing, scene, old),
    )
    return dataclasses.replace(settle(old, moved), name=name)


def size_of(thing: bpy.types.Object, scene: bpy.types.Scene, old: Blocker) -> tuple[float, float, float]:
    """A blocker's size now, its scale at the current frame included."""
    return settle(old.size, triple(np.multiply(old.size, scale_of(world_from_object_m(thing, scene)))))


def path_keys(frames: Sequence[int], matrices: np.ndarray) -> tuple[PathKey, ...]:
    """A path as evaluated: a linear key on every frame that neighbours do not already imply.

    matrices : (F, 4, 4) world from object, metres
    """
    at, turn = matrices[:, :3, 3], np.unwrap(np.arctan2(matrices[:, 1, 0], matrices[:, 0, 0]))
    rows = _needed(np.asarray(frames, float), np.column_stack([at, turn]))
    return tuple(PathKey(frame=int(frames[i]), at=triple(at[i]), turn=float(turn[i])) for i in rows)


def by_shot(
    blocker: Blocker, paths: Mapping[str, tuple[Sequence[int], np.ndarray]], everywhere: tuple[str, ...]
) -> Iterator[Blocker]:
    """A blocker keyed along its paths: one where they are the same keys in every shot, else one per group of shots.

    paths : of each shot the plan frames and (F, 4, 4) upright matrices
    everywhere : the shots to name where there is one
    """
    groups: list[tuple[list[str], tuple[PathKey, ...]]] = []
    for shot, (frames, matrices) in paths.items():
        keys = path_keys(frames, matrices)
        members = next((members for members, known in groups if known == keys), None)
        if members is None:
            groups.append(([shot], keys))
        else:
            members.append(shot)
    for members, keys in groups:
        name = blocker.name if len(groups) == 1 else f"{blocker.name} in {members[0]}"
        shots = everywhere if len(groups) == 1 else tuple(members)
        yield dataclasses.replace(blocker, name=name, keys=keys, shots=shots)


def _needed(when: np.ndarray, values: np.ndarray, noise: float = 1e-5) -> list[int]:
    """Rows that linear interpolation between the kept rows cannot replace (greedy, exact within ``noise``)."""
    kept, last = [0], len(when) - 1
    while kept[-1] < last:
        start, reach = kept[-1], kept[-1] + 1
        for stop in range(start + 2, last + 1):
            share = (when[start : stop + 1] - when[start]) / (when[stop] - when[start])
            line = values[start] + share[:, None] * (values[stop] - values[start])
            if np.abs(line - values[start : stop + 1]).max() > noise:
                break
            reach = stop
        kept.append(reach)
    return kept
