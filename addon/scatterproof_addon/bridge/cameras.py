"""Shots as cameras, and back: lens, gate, focus, stop, and the move, whichever way somebody animated it."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import bpy
import numpy as np
from scatterproof.camera.axes import flip_camera_axes, pan_tilt_roll, quaternion_from_matrix
from scatterproof.camera.track import CameraTrack, camera_track
from scatterproof.plan.model import Camera, CameraKey, CameraSample, Plan, Shot

from . import animation, tags
from .animation import Channel
from .placing import metres_per_unit, object_named, place, world_from_object_m
from .settle import settle
from .stubs import has, put, triple

POSE_NOISE = 2e-4  # m and radians: single-precision curves and constraints against the engine's double precision
STEEPEST = 0.99999  # of a line of sight, by its vertical part: a quarter of a degree off straight up or down
FOCAL_NOISE = 1e-3  # mm
SHORTEST_LENS = 1.0  # mm, in Blender: a curve that swings below it is cut off there
PATH_CHANNELS = [Channel("location", i) for i in range(3)]
TURN_CHANNELS = [Channel("rotation_euler", i) for i in range(3)]


@dataclass(frozen=True, slots=True, eq=False)
class Evaluated:
    """A camera as Blender evaluates it over F frames."""

    world_from_cam: np.ndarray  # (F, 4, 4) engine axes, metres
    focal_mm: np.ndarray  # (F,)
    focus_m: np.ndarray  # (F,)
    stop: np.ndarray  # (F,)

    @classmethod
    def of(cls, rows: Sequence[tuple[np.ndarray, float, float, float]]) -> Evaluated:
        """From (world from object, focal length, focus, stop) frame by frame, as :mod:`evaluate` reads them."""
        matrices, focal, focus, stop = zip(*rows, strict=True)
        return cls(flip_camera_axes(np.stack(matrices)), np.array(focal), np.array(focus), np.array(stop))


def focuses(data: bpy.types.Camera) -> bool:
    """Whether focus and stop of a camera mean something: with depth of field, though a readout may keep it off."""
    return data.dof.use_dof or has(data, tags.SHARP)


@dataclass(frozen=True, slots=True)
class Picture:
    """What Blender's render settings say about the pixels of a picture."""

    width: int
    height: int
    aspect_x: float
    aspect_y: float


# --- plan to scene ----------------------------------------------------------------------------------------------


def picture_of(camera: Camera) -> Picture:
    """Render settings that show a package's whole gate with its lens's squeeze."""
    tall = (camera.resolution[1] / camera.film_back[1]) / (
        camera.resolution[0] / (camera.film_back[0] * camera.squeeze)
    )
    return Picture(*camera.resolution, max(1.0, tall), max(1.0, 1 / tall))


def show_gate(scene: bpy.types.Scene, camera: Camera) -> None:
    """Set the scene's render size and pixel aspect to a package's gate."""
    picture, render = picture_of(camera), scene.render
    render.resolution_x, render.resolution_y, render.resolution_percentage = picture.width, picture.height, 100
    render.pixel_aspect_x, render.pixel_aspect_y = picture.aspect_x, picture.aspect_y


def make_shot(
    collection: bpy.types.Collection, scene: bpy.types.Scene, plan: Plan, shot: Shot, track: CameraTrack, offset: int
) -> bpy.types.Object:
    """The shot's camera with its move keyed at ``offset`` frames from the plan's, and its action point."""
    package = next(camera for camera in plan.cameras if camera.name == shot.camera)
    data = bpy.data.cameras.new(shot.name)
    thing = object_named(collection, shot.name, data)
    _set_lens(data, scene, package, track)
    keys = key_move(collection, thing, scene, plan, shot, track, offset)
    key_lens(data, scene, track, keys, offset)
    data["scatterproof_package"] = package.name
    tags.tag(thing, "shot", shot.name)
    point = object_named(collection, f"{shot.name}: action point", None)
    point.empty_display_type, point.empty_display_size = "PLAIN_AXES", 0.15 / metres_per_unit(scene)
    place(point, scene, _at(shot.action_point))
    tags.tag(point, "action point", shot.name)
    return thing


def key_move(
    collection: bpy.types.Collection,
    thing: bpy.types.Object,
    scene: bpy.types.Scene,
    plan: Plan,
    shot: Shot,
    track: CameraTrack,
    offset: int,
) -> tuple[CameraKey, ...] | None:
    """Key where a camera is and looks during a shot; returns the keys, None where there is one on every frame."""
    keys = _plain_keys(plan, shot, track)
    place(thing, scene, np.array(flip_camera_axes(track.world_from_cam[0])))
    if keys is None:
        key_every_frame(thing, scene, track, offset)
    elif any(keys[0].at != key.at or _look(keys[0]) != _look(key) for key in keys) or shot.keys:
        _key_sparsely(collection, thing, scene, shot, keys, offset)
    return keys


def pose_now(scene: bpy.types.Scene, thing: bpy.types.Object) -> tuple[np.ndarray, np.ndarray]:
    """Where a camera is at the current frame, metres, and the unit vector along which it looks."""
    matrix = world_from_object_m(thing, scene)
    return matrix[:3, 3], -matrix[:3, 2] / np.linalg.norm(matrix[:3, 2])


def _set_lens(data: bpy.types.Camera, scene: bpy.types.Scene, package: Camera, track: CameraTrack) -> None:
    picture, unit = picture_of(package), metres_per_unit(scene)
    data.sensor_fit = "HORIZONTAL"
    data.sensor_width = package.film_back[0] * package.squeeze
    data.sensor_height = package.film_back[1]
    data.shift_x = package.shift[0] / package.film_back[0]
    rows = package.shift[1] / package.film_back[1] * picture.height
    data.shift_y = rows * picture.aspect_y / picture.aspect_x / picture.width
    data.lens = float(track.focal_mm[0])
    data.clip_start, data.clip_end = 0.1 / unit, 500 / unit  # nearer, and thin tape far away flickers
    data.dof.use_dof = True
    data.dof.focus_distance = float(track.focus_m[0]) / unit
    data.dof.aperture_fstop = float(track.stop[0])
    data.dof.aperture_ratio = package.squeeze
    data.show_passepartout, data.passepartout_alpha = True, 0.6
    data.display_size = 0.2 / unit


def _plain_keys(plan: Plan, shot: Shot, track: CameraTrack) -> tuple[CameraKey, ...] | None:
    """Keys that make the shot's move exactly, or None where only a key on every frame does."""
    if shot.keys:  # a constraint that aims leaves no room for a roll, and has its own idea of up when it looks there
        aims, steep = shot.keys[0].aim is not None, np.abs(track.world_from_cam[:, 2, 2]).max() > STEEPEST
        return None if aims and (steep or any(key.roll for key in shot.keys)) else shot.keys
    if shot.samples or shot.move is None or shot.move.wander is not None:
        return None
    first, last = (
        CameraKey(
            frame=int(track.frame[row]),
            at=triple(track.centre_m[row]),
            pan=float(angles[0]),
            tilt=float(angles[1]),
            roll=float(angles[2]),
            interpolation=shot.move.ease,
            easing="in-out",
        )
        for row, angles in zip((0, -1), _unwrapped(track)[[0, -1]], strict=True)
    )
    keys = (first,) if first.frame == last.frame else (first, last)
    tried = dataclasses.replace(shot, move=None, keys=keys)
    return keys if _same_pose(camera_track(plan, tried).world_from_cam, track.world_from_cam) else None


def _unwrapped(track: CameraTrack) -> np.ndarray:
    angles: np.ndarray = np.unwrap(pan_tilt_roll(track.world_from_cam), axis=0)
    return angles


def _look(key: CameraKey) -> tuple[object, ...]:
    return (key.aim, key.pan, key.tilt, key.roll)


def _euler(pan: float, tilt: float, roll: float) -> tuple[float, float, float]:
    return (np.pi / 2 + tilt, roll, pan)


def _key_sparsely(
    collection: bpy.types.Collection,
    thing: bpy.types.Object,
    scene: bpy.types.Scene,
    shot: Shot,
    keys: Sequence[CameraKey],
    offset: int,
) -> None:
    unit = metres_per_unit(scene)
    frames, modes, eases = (
        [key.frame + offset for key in keys],
        [key.interpolation for key in keys],
        [key.easing for key in keys],
    )
    animation.write_keys(thing, "location", frames, [[v / unit for v in key.at] for key in keys], modes, eases)
    if keys[0].aim is None:
        turns = [_euler(key.pan, key.tilt, key.roll) for key in keys]
        animation.write_keys(thing, "rotation_euler", frames, turns, modes, eases)
        return
    aim = object_named(collection, f"{shot.name}: aim", None)
    aim.empty_display_type, aim.empty_display_size = "SPHERE", 0.15 / unit
    tags.tag(aim, "aim", shot.name)
    where = [[v / unit for v in (key.aim or keys[0].aim)] for key in keys]
    aim.location = where[0]
    animation.write_keys(aim, "location", frames, where, modes, eases)
    track_to = thing.constraints.new("TRACK_TO")
    put(track_to, target=aim, track_axis="TRACK_NEGATIVE_Z", up_axis="UP_Y")


def key_every_frame(thing: bpy.types.Object, scene: bpy.types.Scene, track: CameraTrack, offset: int) -> None:
    """Key a camera's place and turn on each of the track's frames, ``offset`` frames later."""
    frames = [int(frame) + offset for frame in track.frame]
    linear = ["linear"] * len(frames)
    animation.write_keys(thing, "location", frames, (track.centre_m / metres_per_unit(scene)).tolist(), linear)
    turns = [_euler(*angles) for angles in _unwrapped(track)]
    animation.write_keys(thing, "rotation_euler", frames, turns, linear)


def key_lens(
    data: bpy.types.Camera,
    scene: bpy.types.Scene,
    track: CameraTrack,
    keys: Sequence[CameraKey] | None,
    offset: int,
) -> None:
    """Key focal length and focus where they change: at the move's own keys where it has some, else on every frame."""
    unit = metres_per_unit(scene)
    rows = np.arange(len(track)) if keys is None else np.array([key.frame - track.frame[0] for key in keys])
    modes = ["linear"] * len(rows) if keys is None else [key.interpolation for key in keys]
    eases = None if keys is None else [key.easing for key in keys]
    if rows.min() < 0 or rows.max() >= len(track):  # keys outside the shot's frames: take the evaluated frames
        rows, eases = np.arange(len(track)), None
        modes = ["linear"] * len(rows)
    frames = [int(track.frame[row]) + offset for row in rows]
    if np.ptp(track.focal_mm) > 0:
        animation.write_keys(data, "lens", frames, track.focal_mm[rows].tolist(), modes, eases)
    if np.ptp(track.focus_m) > 0:
        values = (track.focus_m[rows] / unit).tolist()
        animation.write_keys(data, "dof.focus_distance", frames, values, modes, eases)


def _at(point: Sequence[float]) -> np.ndarray:
    matrix = np.eye(4)
    matrix[:3, 3] = point
    return matrix


# --- scene to plan ----------------------------------------------------------------------------------------------


def package_from_blender(data: bpy.types.Camera, picture: Picture, old: Camera | None, name: str) -> Camera:
    """The camera package that Blender's camera and picture amount to, for every sensor fit, shift and pixel aspect.

    The film back is the gate that, with the camera's own focal length, gives Blender's field of view. Known values of
    ``old`` that still hold within single precision are kept.
    """
    shape = picture.aspect_y / picture.aspect_x
    fit = data.sensor_fit
    if fit == "AUTO":
        horizontal = picture.width * picture.aspect_x >= picture.height * picture.aspect_y
        sensor = data.sensor_width
    else:
        horizontal = fit == "HORIZONTAL"
        sensor = data.sensor_width if horizontal else data.sensor_height
    across = picture.width if horizontal else shape * picture.height  # in pixel widths
    squeeze = old.squeeze if old else 1.0
    width, height = sensor / across * picture.width, sensor / across * picture.height * shape
    shift = (data.shift_x * sensor / squeeze, data.shift_y * sensor)
    base = old or Camera(
        name=name,
        film_back=(width, height),
        resolution=(picture.width, picture.height),
        delivery_aspect=width / height,
        delivery_width=min(picture.width, 20000),
        focal_length=data.lens,
    )
    seen = dataclasses.replace(
        base,
        film_back=(width / squeeze, height),
        shift=shift,
        resolution=(picture.width, picture.height),
    )
    return dataclasses.replace(settle(base, seen, 1e-4), name=name)


def read_move(plan: Plan, old: Shot, thing: bpy.types.Object, seen: Evaluated, offset: int) -> Shot:
    """``old`` with the move the camera now makes: its own where nothing changed, else plain keys, else samples."""
    expected = camera_track(plan, old)
    if _same_pose(expected.world_from_cam, seen.world_from_cam) and _same_lens(expected, seen):
        return old
    return move_from(plan, old, thing, seen, offset)


def move_from(plan: Plan, base: Shot, thing: bpy.types.Object, seen: Evaluated, offset: int) -> Shot:
    """``base`` with the camera's move as plain keys where they make it, else as one sample per frame."""
    for keys in (_one_key(base, seen), _read_keys(base, thing, seen, offset)):
        if keys is None:
            continue
        candidate = dataclasses.replace(base, move=None, samples=(), keys=keys)
        made = camera_track(plan, candidate)
        if _same_pose(made.world_from_cam, seen.world_from_cam) and _same_lens(made, seen):
            return candidate
    return dataclasses.replace(base, move=None, keys=(), samples=samples_of(seen))


def _one_key(shot: Shot, seen: Evaluated) -> tuple[CameraKey, ...] | None:
    """The single key of a camera that stands still."""
    if np.ptp(seen.world_from_cam, axis=0).max() > 1e-7 or np.ptp(seen.focal_mm) > 0 or np.ptp(seen.focus_m) > 0:
        return None
    pan, tilt, roll = pan_tilt_roll(seen.world_from_cam[0])
    at = seen.world_from_cam[0, :3, 3]
    place_, turn = tuple(float(v) for v in at), (float(pan), float(tilt), float(roll))
    return (CameraKey(frame=shot.frames[0], at=place_, pan=turn[0], tilt=turn[1], roll=turn[2]),)  # type: ignore[arg-type]


def _read_keys(old: Shot, thing: bpy.types.Object, seen: Evaluated, offset: int) -> tuple[CameraKey, ...] | None:
    if thing.parent is not None or any(not c.mute for c in thing.constraints) or thing.rotation_mode != "XYZ":
        return None
    found = animation.keyed_frames(thing, PATH_CHANNELS + TURN_CHANNELS)
    if found is None:
        return None
    frames, modes = found
    rows = [round(frame) - offset - old.frames[0] for frame in frames]
    if any(not 0 <= row < len(seen.focal_mm) for row in rows) or any(frame != round(frame) for frame in frames):
        return None
    zooms, racks = np.ptp(seen.focal_mm) > FOCAL_NOISE, np.ptp(seen.focus_m) > 1e-4
    angles = np.unwrap(pan_tilt_roll(seen.world_from_cam), axis=0)
    return tuple(
        CameraKey(
            frame=row + old.frames[0],
            at=triple(seen.world_from_cam[row, :3, 3]),
            pan=float(angles[row, 0]),
            tilt=float(angles[row, 1]),
            roll=float(angles[row, 2]),
            focal_length=float(seen.focal_mm[row]) if zooms else None,
            focus=float(seen.focus_m[row]) if racks else None,
            interpolation=mode,
            easing=ease,
        )
        for row, (mode, ease) in zip(rows, modes, strict=True)
    )


def samples_of(seen: Evaluated) -> tuple[CameraSample, ...]:
    """A move as one sample per frame."""
    turns = quaternion_from_matrix(seen.world_from_cam)
    zooms, racks = np.ptp(seen.focal_mm) > FOCAL_NOISE, np.ptp(seen.focus_m) > 1e-4
    return tuple(
        CameraSample(
            at=triple(seen.world_from_cam[row, :3, 3]),
            turn=(*triple(turns[row, :3]), float(turns[row, 3])),
            focal_length=float(seen.focal_mm[row]) if zooms else None,
            focus=float(seen.focus_m[row]) if racks else None,
        )
        for row in range(len(turns))
    )


def _same_lens(made: CameraTrack, seen: Evaluated) -> bool:
    focal_mm, focus_m = np.maximum(made.focal_mm, SHORTEST_LENS), np.maximum(made.focus_m, 0.0)
    return np.allclose(focal_mm, np.maximum(seen.focal_mm, SHORTEST_LENS), atol=FOCAL_NOISE) and np.allclose(
        focus_m, np.maximum(seen.focus_m, 0.0), rtol=1e-5, atol=1e-4
    )


def _same_pose(a: np.ndarray, b: np.ndarray) -> bool:
    return a.shape == b.shape and bool(np.abs(a - b).max() < POSE_NOISE)
