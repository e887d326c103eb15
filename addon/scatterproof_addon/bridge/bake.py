"""Readiness baked into the scene, so that a saved file shows it to anybody: rings, readout, strip, timeline markers.

Nothing here needs the extension, a driver or a script when the file is opened: a packed image holds the state of every
marker in every frame, geometry nodes of the ring object look it up by the scene's time, and the rest is plain keys.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import bpy
import numpy as np
from scatterproof.plan.paint import srgb_to_linear
from scatterproof.readiness.rehearse import Rehearsal
from scatterproof.readiness.verdict import FIRM, LOST, STATES, THIN, ShotReadiness
from scatterproof.sightings.sighting import OUTSIDE

from . import animation, tags
from .glyphs import glyph_faces
from .materials import glow_material
from .meshes import add_attribute, fill_mesh
from .placing import metres_per_unit, object_named, place
from .scene import collection_named, timeline

# Okabe and Ito, Color Universal Design, 2008: blue, orange, vermillion.
STATE_CODES = {FIRM: (0x00, 0x72, 0xB2), THIN: (0xE6, 0x9F, 0x00), LOST: (0xD5, 0x5E, 0x00)}
WHITE, INK = (0.9, 0.9, 0.9), (0.006, 0.006, 0.008)
READOUT_M = 0.25  # in front of the lens: nearer than anything on the stage
HIDDEN_STATE = 0  # value of the state image for a marker outside the gate; 1, 2, 3 are firm, thin, lost


def state_material(state: int) -> bpy.types.Material:
    """The glowing material of a state's colour."""
    return glow_material(f"readiness {STATES[state]}", srgb_to_linear(np.array(STATE_CODES[state]) / 255).tolist())


def marker_states(rehearsal: Rehearsal) -> np.ndarray:
    """(F, M) uint8: 0 no corner in the gate, 1 all its features trackable, 2 some, 3 none though in the gate."""
    features, markers = rehearsal.layout.features, rehearsal.layout.markers
    count = len(markers.name)
    mine = features.owner < count
    owner = features.owner[mine]
    seen, inside = rehearsal.sightings.seen[:, mine], rehearsal.sightings.why[:, mine] != OUTSIDE
    total = np.maximum(np.bincount(owner, minlength=count), 1)
    good = _per_owner(seen, owner, count)
    shown = _per_owner(inside, owner, count) > 0
    state = np.where(good == total, 1, np.where(good > 0, 2, 3))
    return np.where(shown, state, HIDDEN_STATE).astype(np.uint8)


def _per_owner(mask: np.ndarray, owner: np.ndarray, count: int) -> np.ndarray:
    """(F, count) how many features of each owner hold; features of one owner stand together."""
    if not mask.shape[1]:
        return np.zeros((len(mask), count), int)
    starts = np.flatnonzero(np.diff(owner, prepend=-1))
    sums = np.zeros((len(mask), count), int)
    sums[:, owner[starts]] = np.add.reduceat(mask.astype(int), starts, axis=1)
    return sums


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames in a row with one state and the same reasons, in plan frames."""

    first: int
    last: int
    state: int
    text: str


def stretches(readiness: ShotReadiness) -> list[Stretch]:
    """The shot as stretches; each tells the reasons of its worst frame: the one with the fewest features."""
    keys = [(int(s), tuple(r.code for r in reasons)) for s, reasons in zip(readiness.state, readiness.reasons, strict=True)]
    found, start = [], 0
    for row in range(1, len(keys) + 1):
        if row < len(keys) and keys[row] == keys[start]:
            continue
        worst = start + int(np.argmin(readiness.features[start:row]))
        text = "\n".join(reason.text for reason in readiness.reasons[worst][:3])
        found.append(Stretch(int(readiness.frame[start]), int(readiness.frame[row - 1]), keys[start][0], text))
        start = row
    return found


def bake(scene: bpy.types.Scene, rehearsals: Sequence[Rehearsal]) -> None:
    """Show these rehearsals in the scene; what was baked before goes."""
    clear_bake(scene)
    if not rehearsals:
        return
    plan = rehearsals[0].plan
    offsets = timeline(plan)
    collection = collection_named(scene, "Readiness")
    _bake_rings(collection, scene, rehearsals, offsets)
    for rehearsal in rehearsals:
        camera = next(t for t in tags.tagged(scene, "shot") if tags.entry_of(t) == rehearsal.shot.name)
        _Slate(collection, scene, camera, rehearsal, offsets[rehearsal.shot.name]).bake()


def clear_bake(scene: bpy.types.Scene) -> None:
    """Remove everything baked from the scene."""
    for thing in tags.tagged(scene, "readout"):
        data = thing.data
        animation.clear_animation(thing)
        bpy.data.objects.remove(thing, do_unlink=True)
        if data is not None and data.users == 0:
            bpy.data.batch_remove([data])
    baked = set(scene.get("scatterproof_marks", ()))
    for mark in list(scene.timeline_markers):
        if mark.name in baked and mark.camera is None:
            scene.timeline_markers.remove(mark)
    scene.pop("scatterproof_marks", None)
    for image in [i for i in bpy.data.images if tags.PART in i and i.users == 0]:
        bpy.data.images.remove(image)
    for group in [g for g in bpy.data.node_groups if tags.PART in g and g.users == 0]:
        bpy.data.node_groups.remove(group)


def _unlit(thing: bpy.types.Object) -> bpy.types.Object:
    """Seen by the camera alone: lights nothing, shades nothing."""
    thing.visible_shadow = thing.visible_diffuse = thing.visible_glossy = False
    thing.visible_transmission = thing.visible_volume_scatter = False
    thing.hide_select = True
    return thing


# --- rings ------------------------------------------------------------------------------------------------------


def _bake_rings(
    collection: bpy.types.Collection,
    scene: bpy.types.Scene,
    rehearsals: Sequence[Rehearsal],
    offsets: dict[str, int],
) -> None:
    markers = rehearsals[0].layout.markers
    if not markers.name:
        return
    spans = [(r.track.frame[0] + offsets[r.shot.name], r.track.frame[-1] + offsets[r.shot.name]) for r in rehearsals]
    start, stop = int(min(s[0] for s in spans)), int(max(s[1] for s in spans))
    states = np.zeros((len(markers.name), stop - start + 1), np.uint8)
    for rehearsal, span in zip(rehearsals, spans, strict=True):
        states[:, span[0] - start : span[1] - start + 1] = marker_states(rehearsal).T
    thing = _rings(collection, scene, rehearsals[0])
    group = _lookup_nodes(_state_image(states), start, states.shape)
    modifier = thing.modifiers.new("readiness", "NODES")
    modifier.node_group = group


def _rings(collection: bpy.types.Collection, scene: bpy.types.Scene, rehearsal: Rehearsal) -> bpy.types.Object:
    """One mesh with the three glyphs round every marker, in the marker's own plane; the nodes keep one of them."""
    markers = rehearsal.layout.markers
    points, faces, glyph = glyph_faces()
    count, size = len(markers.name), len(points)
    reach = np.array(
        [
            np.linalg.norm(markers.outline_m[a:b] - c, axis=1).max()
            for a, b, c in zip(markers.first, markers.first[1:], markers.centre_m, strict=False)
        ]
    )
    radius = 1.25 * reach + 0.02
    up = _up_of(markers.normal)
    across = np.cross(up, markers.normal)
    curve = np.array([s.radius_m for s in rehearsal.layout.surfaces])[markers.surface]
    lift = 0.004 + np.where(curve > 0, radius**2 / (2 * np.maximum(curve, 1e-6)), 0.0)
    vertices = (
        markers.centre_m[:, None]
        + lift[:, None, None] * markers.normal[:, None]
        + radius[:, None, None] * (points[None, :, :1] * across[:, None] + points[None, :, 1:] * up[:, None])
    ).reshape(-1, 3)
    every = [face + size * row for row in range(count) for face in faces]
    thing = object_named(collection, "Sight rings", bpy.data.meshes.new("Sight rings"))
    fill_mesh(
        thing.data,
        vertices / metres_per_unit(scene),
        every,
        [state_material(state) for state in (FIRM, THIN, LOST)],
        np.tile(glyph, count) - 1,
    )
    add_attribute(thing.data, "glyph", "FACE", np.tile(glyph, count))
    add_attribute(thing.data, "marker_row", "FACE", np.repeat(np.arange(count), len(faces)))
    place(thing, scene, np.eye(4))
    tags.tag(thing, "readout", "rings")
    return _unlit(thing)


def _up_of(normal: np.ndarray) -> np.ndarray:
    """(M, 3) the direction in each marker's plane nearest to the world's up; upstage on a floor."""
    level = np.abs(normal[:, 2]) > 0.9
    wanted = np.where(level[:, None], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0])
    up = wanted - np.einsum("mi,mi->m", wanted, normal)[:, None] * normal
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    return up


def _state_image(states: np.ndarray) -> bpy.types.Image:
    """A packed image: column = frame, row = marker, value = state / 3."""
    rows, columns = states.shape
    image = bpy.data.images.new("readiness states", columns, rows, is_data=True)
    pixels = np.ones((rows, columns, 4), np.float32)
    pixels[..., :3] = states[..., None] / 3
    image.pixels.foreach_set(pixels.ravel())
    image.pack()
    image[tags.PART] = "readiness"
    return image


def _lookup_nodes(image: bpy.types.Image, first_frame: int, shape: tuple[int, ...]) -> bpy.types.NodeTree:
    """Nodes that keep, of every marker's glyphs, the one the image names for the scene's present frame."""
    rows, columns = shape
    tree = bpy.data.node_groups.new("readiness by frame", "GeometryNodeTree")
    tree[tags.PART] = "readiness"
    tree.interface.new_socket("Geometry", in_out="INPUT", socket_type="NodeSocketGeometry")
    tree.interface.new_socket("Geometry", in_out="OUTPUT", socket_type="NodeSocketGeometry")
    new, link = tree.nodes.new, tree.links.new

    def math(operation: str, a: object, b: object) -> bpy.types.NodeSocket:
        node = new("ShaderNodeMath")
        node.operation = operation
        for socket, value in zip(node.inputs, (a, b), strict=False):
            if isinstance(value, (int, float)):
                socket.default_value = value
            else:
                link(value, socket)
        return node.outputs[0]

    def attribute(name: str) -> bpy.types.NodeSocket:
        node = new("GeometryNodeInputNamedAttribute")
        node.data_type = "INT"
        node.inputs["Name"].default_value = name
        return next(s for s in node.outputs if s.enabled and s.name == "Attribute")

    source, sink = new("NodeGroupInput"), new("NodeGroupOutput")
    frame = new("GeometryNodeInputSceneTime").outputs["Frame"]
    column = math("DIVIDE", math("ADD", frame, 0.5 - first_frame), columns)
    row = math("DIVIDE", math("ADD", attribute("marker_row"), 0.5), rows)
    place_in_image = new("ShaderNodeCombineXYZ")
    link(column, place_in_image.inputs["X"])
    link(row, place_in_image.inputs["Y"])
    sample = new("GeometryNodeImageTexture")
    sample.interpolation, sample.extension = "Closest", "CLIP"
    sample.inputs["Image"].default_value = image
    link(place_in_image.outputs[0], sample.inputs["Vector"])
    state = math("ROUND", math("MULTIPLY", sample.outputs["Color"], 3.0), 0.0)
    drop = new("GeometryNodeDeleteGeometry")
    drop.domain, drop.mode = "FACE", "ALL"
    differs = math("GREATER_THAN", math("ABSOLUTE", math("SUBTRACT", state, attribute("glyph")), 0.0), 0.5)
    link(source.outputs[0], drop.inputs["Geometry"])
    link(differs, drop.inputs["Selection"])
    link(drop.outputs[0], sink.inputs[0])
    return tree


# --- readout and strip --------------------------------------------------------------------------------------------


class _Slate:
    """What hangs in front of one shot's camera: the state in words and the strip with its playhead."""

    def __init__(
        self,
        collection: bpy.types.Collection,
        scene: bpy.types.Scene,
        camera: bpy.types.Object,
        rehearsal: Rehearsal,
        offset: int,
    ):
        self.collection, self.scene, self.camera, self.offset = collection, scene, camera, offset
        self.readiness = rehearsal.readiness
        self.first, self.last = (int(rehearsal.track.frame[row]) + offset for row in (0, -1))
        track, unit = rehearsal.track, metres_per_unit(scene)
        self.rehearsal = rehearsal
        left, top, right, bottom = track.delivery_px
        reach = READOUT_M / unit
        fx, fy = track.focal_px[0]
        cx, cy = track.centre_px
        # the delivery frame's edges at the slate's distance, in the camera's axes
        self.left, self.right = (left - cx) / fx * reach, (right - cx) / fx * reach
        self.bottom, self.top = (cy - bottom) / fy * reach, (cy - top) / fy * reach
        self.reach, self.line = reach, (self.top - self.bottom) * 0.032
        self.marks: list[str] = []

    def bake(self) -> None:
        root = self._object("slate", None)
        root.empty_display_size = 0.001
        root.parent = self.camera
        self._keep_size(root)
        parts = stretches(self.readiness)
        self._strip(root, parts)
        for part in parts:
            self._words(root, part)
        self._mark(parts)

    def _object(self, name: str, data: bpy.types.ID | None) -> bpy.types.Object:
        thing = object_named(self.collection, f"{self.readiness.name}: {name}", data)
        tags.tag(thing, "readout", self.readiness.name)
        return _unlit(thing)

    def _keep_size(self, root: bpy.types.Object) -> None:
        """On a zoom the slate shrinks as the lens grows longer, and stays the same in the frame."""
        focal = self.rehearsal.track.focal_mm
        if np.ptp(focal) == 0:
            return
        frames = list(range(self.first, self.last + 1))
        scales = [[float(focal[0] / f)] * 2 + [1.0] for f in focal]
        animation.write_keys(root, "scale", frames, scales, ["linear"] * len(frames))

    def _hang(self, thing: bpy.types.Object, root: bpy.types.Object, x: float, y: float, nearer: float = 0.0) -> None:
        thing.parent = root
        thing.location = (x, y, -self.reach * (1 - nearer))

    def _show_between(self, thing: bpy.types.Object, first: int, last: int) -> None:
        frames = [first - 1, first, last + 1]
        for path in ("hide_viewport", "hide_render"):
            animation.write_keys(thing, path, frames, [1.0, 0.0, 1.0], ["constant"] * 3)

    def _words(self, root: bpy.types.Object, part: Stretch) -> None:
        first, last = part.first + self.offset, part.last + self.offset
        frames = f"frames {part.first} to {part.last}" if part.last > part.first else f"frame {part.first}"
        curve = bpy.data.curves.new("readout", "FONT")
        curve.body = f"{STATES[part.state].upper()}   {frames}\n{part.text}"
        curve.size, curve.align_y = self.line, "BOTTOM"
        curve.materials.append(glow_material("readout white", WHITE))
        words = self._object(f"readout {part.first}", curve)
        foot = self.bottom + self.line * 1.6
        self._hang(words, root, self.left + self.line * 2.6, foot, 0.01)
        self._show_between(words, first, last)
        points, faces, glyph = glyph_faces()
        badge = self._object(f"state {part.first}", bpy.data.meshes.new("state"))
        kept = [face for face, g in zip(faces, glyph, strict=True) if g == part.state + 1]
        fill_mesh(
            badge.data,
            np.column_stack([points * self.line * 0.75, np.zeros(len(points))]),
            kept,
            [state_material(part.state)],
        )
        lines = 1 + part.text.count("\n") + (1 if part.text else 0)
        self._hang(badge, root, self.left + self.line * 1.4, foot + self.line * (lines - 0.6), 0.01)
        self._show_between(badge, first, last)

    def _strip(self, root: bpy.types.Object, parts: Sequence[Stretch]) -> None:
        x0, x1 = self.left + self.line, self.right - self.line
        y0, y1 = self.bottom + self.line * 0.5, self.bottom + self.line * 0.9
        count = len(self.readiness.frame)

        def x(frame: float) -> float:
            return x0 + (x1 - x0) * (frame - self.readiness.frame[0]) / count

        runs = _state_runs(self.readiness)
        vertices, faces, rows = [], [], []
        for number, (first, last, state) in enumerate(runs):
            # never colour alone: firm fills the strip's height, thin its lower half, lost a line at its foot
            height = {FIRM: 1.0, THIN: 0.55, LOST: 0.2}[state]
            a, b, top = x(first), x(last + 1), y0 + (y1 - y0) * height
            vertices += [[a, y0, 0], [b, y0, 0], [b, top, 0], [a, top, 0]]
            faces.append(np.arange(4) + 4 * number)
            rows.append(state)
        strip = self._object("strip", bpy.data.meshes.new("strip"))
        fill_mesh(strip.data, np.array(vertices), faces, [state_material(s) for s in (FIRM, THIN, LOST)], np.array(rows))
        self._hang(strip, root, 0, 0, 0.005)
        self._show_between(strip, self.first, self.last)
        width = self.line * 0.12
        head = self._object("playhead", bpy.data.meshes.new("playhead"))
        corners = np.array([[-width, y0 - self.line * 0.15, 0], [width, y0 - self.line * 0.15, 0]])
        corners = np.concatenate([corners, corners[::-1] + [0, (y1 - y0) + self.line * 0.3, 0]])
        fill_mesh(head.data, corners, [np.arange(4)], [glow_material("readout white", WHITE)])
        self._hang(head, root, 0, 0, 0.01)
        depth = head.location.z
        ends = [[x(self.readiness.frame[0] + 0.5), 0, depth], [x(self.readiness.frame[-1] + 0.5), 0, depth]]
        frames = [self.first, self.last] if self.last > self.first else [self.first]
        animation.write_keys(head, "location", frames, ends[: len(frames)], ["linear"] * len(frames))
        self._show_between(head, self.first, self.last)

    def _mark(self, parts: Sequence[Stretch]) -> None:
        """Timeline markers where the state changes, named by it."""
        names = list(self.scene.get("scatterproof_marks", ()))
        for first, _, state in _state_runs(self.readiness):
            name = f"{STATES[state]} from {first}"
            self.scene.timeline_markers.new(name, frame=first + self.offset)
            names.append(name)
        self.scene["scatterproof_marks"] = names


def _state_runs(readiness: ShotReadiness) -> list[tuple[int, int, int]]:
    """(first frame, last frame, state) of every run of frames in one state."""
    edges = np.flatnonzero(np.diff(readiness.state)) + 1
    starts, stops = np.concatenate([[0], edges]), np.concatenate([edges, [len(readiness.state)]])
    return [
        (int(readiness.frame[a]), int(readiness.frame[b - 1]), int(readiness.state[a]))
        for a, b in zip(starts, stops, strict=True)
    ]
