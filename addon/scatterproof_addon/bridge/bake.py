"""Readiness baked into the scene, so that a saved file shows it to anybody: rings, readout, strip, timeline markers.

Nothing here needs the extension, a driver or a script when the file is opened: a packed image holds the state of every
marker in every frame, geometry nodes of the ring object look it up by the scene's time, and the rest is plain keys.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from scatterproof.plan.check import UPPER_LIMITS
from scatterproof.plan.paint import srgb_to_linear
from scatterproof.readiness.rehearse import Rehearsal
from scatterproof.readiness.verdict import FIRM, LOST, STATES, THIN, Reason, ShotReadiness
from scatterproof.sightings.sighting import OUTSIDE, SEEN
from scatterproof.stage.layout import POINT, Layout

from . import animation, tags
from .glyphs import all_glyphs, glyph
from .materials import glow_material
from .meshes import add_attribute, fill_mesh, joined
from .placing import metres_per_unit, object_named, place
from .scene import collection_named, shot_places
from .stubs import camera_of, feed, has, held, mesh_of, put

# Okabe and Ito, Color Universal Design, 2008: blue, orange, vermillion.
STATE_CODES = {FIRM: (0x00, 0x72, 0xB2), THIN: (0xE6, 0x9F, 0x00), LOST: (0xD5, 0x5E, 0x00)}
WHITE, INK = (0.9, 0.9, 0.9), (0.006, 0.006, 0.008)
READOUT_M = 0.25  # in front of the lens: nearer than anything on the stage
RING_LIFT_M = 0.012  # off the surface: enough for a viewport to tell it from the surface 40 m away
LONE_RING_M = 0.09  # radius of the ring round a band or a hard point
HIDDEN_STATE = 0  # value of the state image for what is outside the gate; 1, 2, 3 are firm, thin, lost


def state_material(state: int) -> bpy.types.Material:
    """The glowing material of a state's colour."""
    return glow_material(f"readiness {STATES[state]}", srgb_to_linear(np.array(STATE_CODES[state]) / 255).tolist())


def ring_starts(layout: Layout) -> np.ndarray:
    """(R,) first feature of every marker, then every band and hard point on its own: each has one ring."""
    owner = layout.features.owner  # features stand in the order of their owners
    return np.flatnonzero((np.diff(owner, prepend=-1) != 0) | (owner >= len(layout.markers.name)))


def ring_states(layout: Layout, why: np.ndarray) -> np.ndarray:
    """(F, R) uint8 of every ring, from why features (F, N) count or not.

    0 not in the gate, 1 all its features trackable, 2 some, 3 none though in the gate.
    """
    features, starts = layout.features, ring_starts(layout)
    seen, inside = why == SEEN, why != OUTSIDE
    total = np.diff(np.append(starts, len(features)))
    good, shown = (np.add.reduceat(mask.astype(np.int32), starts, axis=1) for mask in (seen, inside))
    state = np.where(good == total, 1, np.where(good > 0, 2, 3))
    return np.where(shown > 0, state, HIDDEN_STATE).astype(np.uint8)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frames in a row with one state and the same reasons, in plan frames."""

    first: int
    last: int
    state: int
    text: str


def stretches(readiness: ShotReadiness) -> list[Stretch]:
    """The shot as stretches; each tells the reasons of its worst frame, the one that falls shortest.

    What is tightest in firm frames changes all the time and holds nothing back: they are one stretch.
    """
    rows = zip(readiness.state.tolist(), readiness.reasons, strict=True)
    keys = [(state, set() if state == FIRM else {reason.code for reason in reasons}) for state, reasons in rows]
    found, start = [], 0
    for row in range(1, len(keys) + 1):
        if row < len(keys) and keys[row] == keys[start]:
            continue
        worst = min(range(start, row), key=lambda r: _headroom(readiness.reasons[r][0]))
        text = "\n".join(reason.text for reason in readiness.reasons[worst][:3])
        found.append(Stretch(int(readiness.frame[start]), int(readiness.frame[row - 1]), keys[start][0], text))
        start = row
    return found


def _headroom(reason: Reason) -> float:
    """How many times over a reason's limit is met."""
    value, limit = reason.value, reason.limit
    return limit / max(value, 1e-9) if reason.code in UPPER_LIMITS else value / max(limit, 1e-9)


def bake(scene: bpy.types.Scene, rehearsals: Sequence[Rehearsal]) -> None:
    """Show these rehearsals in the scene; what was baked before goes.

    While a readout hangs in front of a camera, its depth of field is off, or renders would blur the words; clearing
    the bake puts it back.
    """
    clear_bake(scene)
    places = shot_places(scene)
    staged = [(rehearsal, places[rehearsal.shot.name]) for rehearsal in rehearsals if rehearsal.shot.name in places]
    if not staged:
        return
    collection = collection_named(scene, "Readiness")
    _bake_rings(collection, scene, [rehearsal for rehearsal, _ in staged], [where.offset for _, where in staged])
    slates = [_Slate(collection, scene, where.camera, rehearsal, where.offset) for rehearsal, where in staged]
    scene.view_layers[0].update()  # once, and the words know how large they are
    for slate in slates:
        slate.bake()


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
    for camera in [thing for thing in scene.objects if thing.type == "CAMERA"]:
        if camera_of(camera).pop(tags.SHARP, False):
            camera_of(camera).dof.use_dof = True
    for image in [i for i in bpy.data.images if has(i, tags.PART) and i.users == 0]:
        bpy.data.images.remove(image)
    for group in [g for g in bpy.data.node_groups if has(g, tags.PART) and g.users == 0]:
        bpy.data.node_groups.remove(group)


def unlit(thing: bpy.types.Object) -> bpy.types.Object:
    """Seen by the camera alone: lights nothing, shades nothing."""
    thing.visible_shadow = thing.visible_diffuse = thing.visible_glossy = False
    thing.visible_transmission = thing.visible_volume_scatter = False
    thing.hide_select = True
    return thing


# --- rings ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Spots:
    """Where R rings lie."""

    centre_m: np.ndarray  # (R, 3)
    normal: np.ndarray  # (R, 3)
    radius_m: np.ndarray  # (R,)


def _bake_rings(
    collection: bpy.types.Collection,
    scene: bpy.types.Scene,
    rehearsals: Sequence[Rehearsal],
    offsets: Sequence[int],
) -> None:
    spots = ring_spots(rehearsals[0].layout, np.concatenate([r.track.centre_m for r in rehearsals]).mean(axis=0))
    if not len(spots.radius_m):
        return
    spans = [
        (r.track.frame[0] + offset, r.track.frame[-1] + offset) for r, offset in zip(rehearsals, offsets, strict=True)
    ]
    start, stop = int(min(s[0] for s in spans)), int(max(s[1] for s in spans))
    states = np.zeros((len(spots.radius_m), stop - start + 1), np.uint8)
    for rehearsal, span in zip(rehearsals, spans, strict=True):
        rings = ring_states(rehearsal.layout, rehearsal.sightings.why)
        states[:, span[0] - start : span[1] - start + 1] = rings.T
    thing = _rings(collection, scene, spots)
    group = _lookup_nodes(_state_image(states), start, states.shape)
    put(thing.modifiers.new("readiness", "NODES"), node_group=group)


def ring_spots(layout: Layout, eye_m: np.ndarray) -> Spots:
    """Round every marker in its own plane; round bands and hard points upright, turned to the cameras at (3,)."""
    markers, features = layout.markers, layout.features
    starts = markers.first[:-1]
    away = np.linalg.norm(markers.outline_m - np.repeat(markers.centre_m, np.diff(markers.first), axis=0), axis=1)
    radius = 1.25 * np.maximum.reduceat(away, starts) + 0.02 if len(starts) else np.zeros(0)
    curve = np.array([s.radius_m for s in layout.surfaces])[markers.surface]
    lift = RING_LIFT_M + np.where(curve > 0, radius**2 / (2 * np.maximum(curve, 1e-6)), 0.0)
    lone = features.owner >= len(markers.name)
    position = features.position_m[lone]
    off = np.where(features.kind[lone] == POINT, LONE_RING_M / 2, 0.0)  # bands are in the middle, corners in front
    towards = eye_m - position
    towards[:, 2] = 0
    towards /= np.maximum(np.linalg.norm(towards, axis=1, keepdims=True), 1e-9)
    return Spots(
        np.concatenate([markers.centre_m + lift[:, None] * markers.normal, position + off[:, None] * towards]),
        np.concatenate([markers.normal, towards]),
        np.concatenate([radius, np.full(len(position), LONE_RING_M)]),
    )


def _rings(collection: bpy.types.Collection, scene: bpy.types.Scene, spots: Spots) -> bpy.types.Object:
    """One mesh with the three glyphs at every spot; the nodes keep one of them."""
    points, faces, state = all_glyphs()
    count, size = len(spots.radius_m), len(points)
    up = _up_of(spots.normal)
    across = np.cross(up, spots.normal)
    flat = points[None, :, :1] * across[:, None] + points[None, :, 1:] * up[:, None]
    vertices = (spots.centre_m[:, None] + spots.radius_m[:, None, None] * flat).reshape(-1, 3)
    every = (np.array(faces)[None] + size * np.arange(count)[:, None, None]).reshape(-1, 4)
    thing = object_named(collection, "Sight rings", bpy.data.meshes.new("Sight rings"))
    materials = [state_material(s) for s in (FIRM, THIN, LOST)]
    fill_mesh(mesh_of(thing), vertices / metres_per_unit(scene), every, materials, np.tile(state, count))
    add_attribute(mesh_of(thing), "glyph", "FACE", np.tile(state + 1, count))
    add_attribute(mesh_of(thing), "ring", "FACE", np.repeat(np.arange(count), len(faces)))
    place(thing, scene, np.eye(4))
    tags.tag(thing, "readout", "rings")
    return unlit(thing)


def _up_of(normal: np.ndarray) -> np.ndarray:
    """(M, 3) the direction in each marker's plane nearest to the world's up; upstage on a floor."""
    level = np.abs(normal[:, 2]) > 0.9
    wanted = np.where(level[:, None], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0])
    up = wanted - np.einsum("mi,mi->m", wanted, normal)[:, None] * normal
    level_up: np.ndarray = up / np.linalg.norm(up, axis=1, keepdims=True)
    return level_up


def _state_image(states: np.ndarray) -> bpy.types.Image:
    """A packed image: column = frame, row = marker, value = state / 3."""
    rows, columns = states.shape
    image = bpy.data.images.new("readiness states", columns, rows, is_data=True)
    pixels = np.ones((rows, columns, 4), np.float32)
    pixels[..., :3] = states[..., None] / 3
    held(image, "pixels").foreach_set(pixels.ravel())
    image.pack()
    image[tags.PART] = "readiness"
    return image


def _lookup_nodes(image: bpy.types.Image, first_frame: int, shape: tuple[int, ...]) -> bpy.types.NodeTree:
    """Nodes that keep, of every marker's glyphs, the one the image names for the scene's present frame."""
    rows, columns = shape
    tree = bpy.data.node_groups.new("readiness by frame", "GeometryNodeTree")
    tree[tags.PART] = "readiness"
    sockets: Any = tree.interface
    for way in ("INPUT", "OUTPUT"):
        sockets.new_socket("Geometry", in_out=way, socket_type="NodeSocketGeometry")
    new, link = tree.nodes.new, tree.links.new

    def math(operation: str, a: bpy.types.NodeSocket | float, b: bpy.types.NodeSocket | float) -> bpy.types.NodeSocket:
        node = new("ShaderNodeMath")
        put(node, operation=operation)
        for socket, value in zip(node.inputs, (a, b), strict=False):
            if isinstance(value, bpy.types.NodeSocket):
                link(value, socket)
            else:
                put(socket, default_value=value)
        return node.outputs[0]

    def attribute(name: str) -> bpy.types.NodeSocket:
        node = new("GeometryNodeInputNamedAttribute")
        put(node, data_type="INT")
        feed(node, Name=name)
        return next(s for s in node.outputs if s.enabled and s.name == "Attribute")

    source, sink = new("NodeGroupInput"), new("NodeGroupOutput")
    frame = new("GeometryNodeInputSceneTime").outputs["Frame"]
    column = math("DIVIDE", math("ADD", frame, 0.5 - first_frame), columns)
    row = math("DIVIDE", math("ADD", attribute("ring"), 0.5), rows)
    place_in_image = new("ShaderNodeCombineXYZ")
    link(column, place_in_image.inputs["X"])
    link(row, place_in_image.inputs["Y"])
    sample = new("GeometryNodeImageTexture")
    put(sample, interpolation="Closest", extension="CLIP")
    feed(sample, Image=image)
    link(place_in_image.outputs[0], sample.inputs["Vector"])
    state = math("ROUND", math("MULTIPLY", sample.outputs["Color"], 3.0), 0.0)
    drop = new("GeometryNodeDeleteGeometry")
    put(drop, domain="FACE", mode="ALL")
    differs = math("GREATER_THAN", math("ABSOLUTE", math("SUBTRACT", state, attribute("glyph")), 0.0), 0.5)
    link(source.outputs[0], drop.inputs["Geometry"])
    link(differs, drop.inputs["Selection"])
    link(drop.outputs[0], sink.inputs[0])
    return tree


# --- readout and strip --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Layer:
    """Flat faces of one material: points (P, 2) in the camera's axes, rows of point numbers, steps towards the lens."""

    points: np.ndarray
    faces: Sequence[np.ndarray]
    material: bpy.types.Material
    nearer: int


def _quad(left: float, bottom: float, right: float, top: float) -> np.ndarray:
    return np.array([[left, bottom], [right, bottom], [right, top], [left, top]])


class _Slate:
    """What hangs in front of one shot's camera: the delivery frame, the state in words, the strip with its playhead.

    Made in two steps: the words first, whose size Blender must work out, then in ``bake`` everything round them.
    """

    def __init__(
        self,
        collection: bpy.types.Collection,
        scene: bpy.types.Scene,
        camera: bpy.types.Object,
        rehearsal: Rehearsal,
        offset: int,
    ):
        self.collection, self.scene, self.camera, self.offset = collection, scene, camera, offset
        self.rehearsal, self.readiness, track = rehearsal, rehearsal.readiness, rehearsal.track
        self.first, self.last = (int(track.frame[row]) + offset for row in (0, -1))
        left, top, right, bottom = track.delivery_px
        reach = READOUT_M / metres_per_unit(scene)
        fx, fy = track.focal_px[0]
        cx, cy = track.centre_px
        # the delivery frame's edges at the slate's distance, in the camera's axes
        self.left, self.right = (left - cx) / fx * reach, (right - cx) / fx * reach
        self.bottom, self.top = (cy - bottom) / fy * reach, (cy - top) / fy * reach
        self.reach, self.line = reach, min(0.034 * (self.top - self.bottom), 0.02 * (self.right - self.left))
        self.foot = self.bottom + 2.2 * self.line  # of the words, above the strip
        self.root = self._object("slate", None)
        self.root.empty_display_size = 0.001
        self.root.parent = camera
        self._keep_size()
        self.parts = stretches(self.readiness)
        self.words = [self._words(part) for part in self.parts]

    def bake(self) -> None:
        """Hang everything else round the words, show each thing in its frames, mark the timeline."""
        data = camera_of(self.camera)
        if data.dof.use_dof:
            data[tags.SHARP], data.dof.use_dof = True, False
        self._frame_and_strip()
        self._playhead()
        for part, words in zip(self.parts, self.words, strict=True):
            self._plate(part, words)
        self._mark(self.parts)

    def _object(self, name: str, data: bpy.types.ID | None) -> bpy.types.Object:
        thing = object_named(self.collection, f"{self.readiness.name}: {name}", data)
        tags.tag(thing, "readout", self.readiness.name)
        return unlit(thing)

    def _hung(self, name: str, layers: Sequence[_Layer], first: int, last: int) -> bpy.types.Object:
        """A flat mesh of layers, each a little nearer to the lens than the one before, shown from first to last."""
        thing = self._object(name, bpy.data.meshes.new(name))
        depths = [np.full(len(layer.points), -self.reach * (1 - 0.003 * layer.nearer)) for layer in layers]
        parts = [
            (np.column_stack([layer.points, depth]), layer.faces) for layer, depth in zip(layers, depths, strict=True)
        ]
        fill_mesh(mesh_of(thing), *joined(parts)[:2], [layer.material for layer in layers], joined(parts)[2])
        thing.parent = self.root
        self._show_between(thing, first, last)
        return thing

    def _keep_size(self) -> None:
        """On a zoom the slate shrinks as the lens grows longer, and stays the same in the frame."""
        focal = self.rehearsal.track.focal_mm
        if np.ptp(focal) == 0:
            return
        frames = list(range(self.first, self.last + 1))
        scales = [[float(focal[0] / f)] * 2 + [1.0] for f in focal]
        animation.write_keys(self.root, "scale", frames, scales, ["linear"] * len(frames))

    def _show_between(self, thing: bpy.types.Object, first: int, last: int) -> None:
        frames = [first - 1, first, last + 1]
        for path in ("hide_viewport", "hide_render"):
            animation.write_keys(thing, path, frames, [1.0, 0.0, 1.0], ["constant"] * 3)

    def _words(self, part: Stretch) -> bpy.types.Object:
        frames = f"frames {part.first} to {part.last}" if part.last > part.first else f"frame {part.first}"
        curve: Any = bpy.data.curves.new("readout", "FONT")
        curve.body = f"{STATES[part.state].upper()}   {self.readiness.name}, {frames}\n{part.text}"
        curve.size, curve.align_y = self.line, "TOP"
        curve.text_boxes[0].width = self.right - self.left - 5.5 * self.line
        curve.materials.append(glow_material("readout white", WHITE))
        words = self._object(f"readout {part.first}", curve)
        words.parent = self.root
        return words

    def _plate(self, part: Stretch, words: bpy.types.Object) -> None:
        """Put the words in their place, on a dark plate with the state's glyph."""
        corners = np.array(words.bound_box)
        low, high = corners.min(axis=0), corners.max(axis=0)
        left = self.left + 3.6 * self.line
        words.location = (left - low[0], self.foot - low[1], -self.reach * (1 - 0.006))
        top = self.foot + high[1] - low[1]
        edge = 0.5 * self.line
        plate = _quad(self.left + self.line, self.foot - edge, left + high[0] - low[0] + edge, top + edge)
        points, faces = glyph(part.state)
        badge = points * self.line * 0.62 + [self.left + 2.5 * self.line, top - 0.42 * self.line]
        layers = [
            _Layer(plate, [np.arange(4)], glow_material("readout ink", INK), 0),
            _Layer(badge, faces, state_material(part.state), 1),
        ]
        first, last = part.first + self.offset, part.last + self.offset
        self._hung(f"state {part.first}", layers, first, last)
        self._show_between(words, first, last)

    def _at(self, frame: float) -> float:
        """Where a plan frame stands on the strip."""
        x0, x1 = self.left + self.line, self.right - self.line
        return float(x0 + (x1 - x0) * (frame - self.readiness.frame[0]) / len(self.readiness.frame))

    def _frame_and_strip(self) -> None:
        """Lines round what the audience sees; along its foot the state of every frame, never told by colour alone.

        Firm fills the strip's height, thin its lower half, lost is a line at its foot.
        """
        y0, y1 = self.bottom + 0.7 * self.line, self.bottom + 1.3 * self.line
        track = _quad(self.left + self.line, y0 - 0.12 * self.line, self.right - self.line, y1 + 0.12 * self.line)
        layers = [_Layer(track, [np.arange(4)], glow_material("readout ink", INK), 0)]
        runs = _state_runs(self.readiness)
        for state, height in ((FIRM, 1.0), (THIN, 0.6), (LOST, 0.3)):
            bars = [_quad(self._at(a), y0, self._at(b + 1), y0 + (y1 - y0) * height) for a, b, s in runs if s == state]
            if bars:
                faces = list(np.arange(4 * len(bars)).reshape(-1, 4))
                layers.append(_Layer(np.concatenate(bars), faces, state_material(state), 1))
        thin = 0.05 * self.line
        outer = _quad(self.left, self.bottom, self.right, self.top)
        inner = _quad(self.left + thin, self.bottom + thin, self.right - thin, self.top - thin)
        i = np.arange(4)
        lines = list(np.stack([i, (i + 1) % 4, (i + 1) % 4 + 4, i + 4], axis=1))
        layers.append(_Layer(np.concatenate([outer, inner]), lines, glow_material("readout white", WHITE), 0))
        self._hung("delivery frame", layers, self.first, self.last)

    def _playhead(self) -> None:
        y0, y1, half = self.bottom + 0.45 * self.line, self.bottom + 1.55 * self.line, 0.1 * self.line
        white = glow_material("readout white", WHITE)
        head = self._hung(
            "playhead", [_Layer(_quad(-half, y0, half, y1), [np.arange(4)], white, 2)], self.first, self.last
        )
        ends = [[self._at(self.readiness.frame[row] + 0.5), 0.0, 0.0] for row in (0, -1)]
        frames = [self.first, self.last] if self.last > self.first else [self.first]
        animation.write_keys(head, "location", frames, ends[: len(frames)], ["linear"] * len(frames))

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
