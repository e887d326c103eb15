"""A camera over the frames of a shot: where it is, where it looks and what its lens does."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ..plan.fields import key_path
from ..plan.model import Camera, CameraKey, CameraSample, Plan, Shot
from ..problems import BadInput, frozen_array, one_problem
from .axes import from_pan_tilt_roll, look_at, matrix_from_quaternion, pose
from .curves import evaluate
from .moves import move_poses

NEAREST_AIM_M = 1e-6  # nearer than this to the aim there is no direction to look in


@dataclass(frozen=True, slots=True, eq=False)
class CameraTrack:
    """F frames of one camera. Camera axes: x right, y down, z forward.

    Pixel (0, 0) is the centre of the top-left pixel of the recorded gate. ``focal_px`` differs in x and y where
    pixels are not square (squeezed lenses). Radial and decentring coefficients act on normalised coordinates.
    """

    frame: np.ndarray  # (F,) int     rising
    world_from_cam: np.ndarray  # (F, 4, 4)    rigid, metres
    focal_px: np.ndarray  # (F, 2)       fx, fy
    centre_px: np.ndarray  # (2,)         principal point
    size_px: np.ndarray  # (2,) int     width, height of the recorded gate
    distortion: np.ndarray  # (5,)         k1, k2, p1, p2, k3
    delivery_px: np.ndarray  # (4,)         left, top, right, bottom edge of the delivery frame in the gate
    delivery_scale: float  # delivery pixels per recorded pixel, across
    focal_mm: np.ndarray  # (F,)         focal length
    focus_m: np.ndarray  # (F,)         focus distance
    stop: np.ndarray  # (F,)         f-number
    exposure_s: float  # time the shutter is open
    rate: float  # frames per second
    read_out_s: float  # rolling shutter: first to last row
    squeeze: float = 1.0  # how many times wider than high the lens sees with its engraved focal length

    def __post_init__(self) -> None:
        f = len(self.frame)
        shapes: dict[str, tuple[tuple[int, ...], type]] = {
            "frame": ((f,), int),
            "world_from_cam": ((f, 4, 4), float),
            "focal_px": ((f, 2), float),
            "centre_px": ((2,), float),
            "size_px": ((2,), int),
            "distortion": ((5,), float),
            "delivery_px": ((4,), float),
            "focal_mm": ((f,), float),
            "focus_m": ((f,), float),
            "stop": ((f,), float),
        }
        for name, (shape, dtype) in shapes.items():
            object.__setattr__(self, name, frozen_array(name, getattr(self, name), shape, dtype))

    def __len__(self) -> int:
        return len(self.frame)

    @property
    def centre_m(self) -> np.ndarray:
        """(F, 3) camera centres in the world, metres."""
        return self.world_from_cam[:, :3, 3]


def only_rows(track: CameraTrack, rows: np.ndarray) -> CameraTrack:
    """Some frames (K,) of a track, numbered from 0."""
    names = ("world_from_cam", "focal_px", "focal_mm", "focus_m", "stop")
    return replace(track, frame=np.arange(len(rows)), **{name: getattr(track, name)[rows] for name in names})


def camera_track(plan: Plan, shot: Shot) -> CameraTrack:
    """The shot's camera package and move, evaluated at every frame from the shot's first to its last.

    A key with an aim looks at it with its roll about the line of sight, and the aim point itself is interpolated; a key
    without one has pan, tilt and roll interpolated as they are written, whole turns included.

    Raises BadInput for what only shows here: a camera that is not in the plan, keys of which only some have an aim, a
    camera that meets what it looks at between its keys, and places too far away to compute with.
    """
    where = key_path("", "shot", plan.shots.index(shot) if shot in plan.shots else None, shot.name)
    camera = next((camera for camera in plan.cameras if camera.name == shot.camera), None)
    if camera is None:
        names = ", ".join(repr(camera.name) for camera in plan.cameras)
        raise one_problem(
            key_path(where, "camera"), repr(shot.camera), f"one of the plan's cameras: {names or 'none yet'}"
        )
    frame = np.arange(shot.frames[0], shot.frames[1] + 1)
    if not len(frame):
        raise one_problem(
            key_path(where, "frames"), f"{list(shot.frames)}, an empty shot", "the first frame, then the last"
        )
    with np.errstate(over="ignore", invalid="ignore"):
        world_from_cam = _poses(shot, frame, where)
        rigid = np.abs(np.linalg.det(world_from_cam[:, :3, :3]) - 1) < 1e-6
    if not (rigid.all() and np.isfinite(world_from_cam).all()):
        raise one_problem(where, "a camera too far away to compute with", "places within reach of the stage")
    lens = _lens(camera, shot, frame)
    if (lens <= 0).any():
        row, column = np.argwhere(lens <= 0)[0]
        found = f"a {('focal length', 'focus distance')[column]} of {lens[row, column]:g} in frame {frame[row]}"
        raise one_problem(key_path(where, "key"), found, "an interpolation that does not swing below zero")
    focal_mm, focus_m = lens.T
    delivery_px, delivery_scale = delivery_frame(camera)
    width, height = camera.resolution
    px_per_mm = np.array([width / camera.film_back[0], height / camera.film_back[1]])
    return CameraTrack(
        frame=frame,
        world_from_cam=world_from_cam,
        focal_px=focal_mm[:, None] * px_per_mm / [camera.squeeze, 1.0],
        centre_px=(np.array([width, height]) - 1) / 2 + px_per_mm * camera.shift * [-1, 1],
        size_px=np.array([width, height]),
        distortion=np.array(camera.distortion),
        delivery_px=delivery_px,
        delivery_scale=delivery_scale,
        focal_mm=focal_mm,
        focus_m=focus_m,
        stop=np.full(len(frame), camera.stop if shot.stop is None else shot.stop),
        exposure_s=camera_exposure_s(camera, shot) if shot.exposure is None else shot.exposure,
        rate=shot.rate,
        read_out_s=camera.read_out,
        squeeze=camera.squeeze,
    )


def camera_exposure_s(camera: Camera, shot: Shot) -> float:
    """The exposure time of a camera package at a shot's rate, whatever the shot itself says."""
    return camera.shutter / (math.tau * shot.rate) if camera.exposure is None else camera.exposure


def delivery_frame(camera: Camera) -> tuple[np.ndarray, float]:
    """The largest centred part of the gate that has the delivery's shape once unsqueezed.

    returns : left, top, right and bottom edge in recorded pixels, and delivery pixels per recorded pixel, across. The
        gate's own edges are at -0.5 and at width or height - 0.5.
    """
    size = np.array(camera.resolution, float)
    shape = camera.delivery_aspect * camera.film_back[1] / (camera.film_back[0] * camera.squeeze)  # against the gate's
    cut = size * [min(1.0, shape), min(1.0, 1 / shape)]
    margin = (size - cut) / 2 - 0.5
    return np.concatenate([margin, margin + cut]), float(camera.delivery_width / cut[0])


def _poses(shot: Shot, frame: np.ndarray, where: str) -> np.ndarray:
    """(F, 4, 4) of a move, keys or samples, whichever the shot has."""
    if shot.move:
        if math.dist(shot.move.start, shot.move.aim) < NEAREST_AIM_M:
            raise _no_direction(key_path(where, "move.aim"), "the place of start")
        try:
            return move_poses(shot.move, frame, *shot.frames, shot.rate)
        except ValueError as error:
            raise one_problem(key_path(where, "move"), str(error), "a move that keeps away from its aim") from error
    if shot.keys:
        return _keyed_poses(shot, frame, where)
    if len(shot.samples) != len(frame):
        raise one_problem(
            key_path(where, "sample"),
            f"{len(shot.samples)} samples",
            f"a move, keys, or one sample per frame ({len(frame)})",
        )
    turn = np.array([sample.turn for sample in shot.samples])
    if not np.any(turn, axis=1).all():
        raise one_problem(key_path(where, "sample"), "a turn of all zeros", "unit quaternions w, x, y, z")
    return pose(matrix_from_quaternion(turn), np.array([sample.at for sample in shot.samples]))


def _keyed_poses(shot: Shot, frame: np.ndarray, where: str) -> np.ndarray:
    has_aim = [key.aim is not None for key in shot.keys]
    if any(has_aim) and not all(has_aim):
        lacking = ", ".join(str(key.frame) for key in shot.keys if key.aim is None)
        raise one_problem(key_path(where, "key"), f"no aim at frame {lacking}", "an aim in every key, or in none")
    rows = [(*key.at, *(key.aim or (key.pan, key.tilt, 0.0)), key.roll) for key in shot.keys]
    at, look, roll = np.split(_between_keys(shot, frame, np.array(rows)), [3, 6], axis=1)
    if not has_aim[0]:
        return from_pan_tilt_roll(at, np.concatenate([look[:, :2], roll], axis=1))
    met = np.linalg.norm(look - at, axis=1) < NEAREST_AIM_M
    if met.any():
        raise _no_direction(key_path(where, "key"), f"the camera on its aim in frame {frame[met.argmax()]}")
    level = not any(key.roll for key in shot.keys)  # what no key sets stays: "elastic" swings even between equal values
    return look_at(at, look, np.zeros(len(at)) if level else roll[:, 0])


def _no_direction(where: str, found: str) -> BadInput:
    return one_problem(where, found, "an aim away from the camera, so that there is a direction to look in")


def _lens(camera: Camera, shot: Shot, frame: np.ndarray) -> np.ndarray:
    """(F, 2) focal length, mm, and focus distance, m: a key's or sample's own, else the shot's, else the package's."""
    focal_mm = camera.focal_length if shot.focal_length is None else shot.focal_length
    focus_m = camera.focus if shot.focus is None else shot.focus
    given: tuple[CameraKey | CameraSample, ...] = (*shot.keys, *shot.samples)
    own = np.array([(g.focal_length, g.focus) for g in given], float).reshape(-1, 2)  # absent: nan
    rows = np.where(np.isnan(own), [focal_mm, focus_m], own)
    if shot.keys:  # what no key sets stays as it is: "elastic" swings even between equal values
        return np.where(np.isnan(own).all(axis=0), rows[:1], _between_keys(shot, frame, rows))
    return rows if shot.samples else np.tile([focal_mm, focus_m], (len(frame), 1))


def _between_keys(shot: Shot, frame: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """(F, C) of what the K keys say, (K, C)."""
    keys = shot.keys
    return evaluate(
        frame, np.array([k.frame for k in keys]), rows, [k.interpolation for k in keys], [k.easing for k in keys]
    )
