"""Moves by their kind, and the unrest of a hand-held camera.

A move runs from the shot's first frame to its last in one stroke, eased at both ends by its ``ease``. It starts at
``start`` looking at ``aim``. What each kind takes besides:

| kind  | takes    | does |
|-------|----------|------|
| hold  | nothing  | stays |
| push  | distance | travels towards the aim, keeps its direction |
| pull  | distance | travels away from the aim, keeps its direction |
| dolly | distance | travels level to the camera's right (negative: left), keeps its direction |
| crane | distance | rises (negative: sinks), keeps looking at the aim |
| arc   | angle    | circles the upright line through the aim to the camera's right, keeps looking at the aim |
| pan   | angle    | turns to the left about its own centre, without travel |
| tilt  | angle    | turns up about its own centre, without travel |
"""

from __future__ import annotations

import dataclasses

import numpy as np

from ..plan.model import Move, Wander
from .axes import from_pan_tilt_roll, look_at, pan_tilt_roll
from .curves import evaluate

TAKES = {
    "hold": (),
    "push": ("distance",),
    "pull": ("distance",),
    "dolly": ("distance",),
    "crane": ("distance",),
    "arc": ("angle",),
    "pan": ("angle",),
    "tilt": ("angle",),
}
# Enough sinusoids for a nearly normal distribution, and for no visible period within minutes.
WAVES = 64


def idle_parameters(move: Move) -> tuple[str, ...]:
    """Which of distance and angle have been set although the move's kind does not take them.

    >>> idle_parameters(Move(kind="pan", start=(0, -4, 1.5), aim=(0, 0, 1.5), distance=2.0))
    ('distance',)
    """
    defaults = {f.name: f.default for f in dataclasses.fields(Move)}
    return tuple(
        name for name in ("distance", "angle") if name not in TAKES[move.kind] and getattr(move, name) != defaults[name]
    )


def move_poses(move: Move, frames: np.ndarray, first: float, last: float, rate: float) -> np.ndarray:
    """(F, 4, 4) world_from_cam of a move at ``frames`` (F,), which need be neither whole nor within the shot.

    first, last : the shot's first and last frame; before and after them the camera stands still (but for its unrest)
    rate : frames per second, for the wander
    Raises ValueError for an unknown kind, and where the camera would come to stand on what it looks at.
    """
    frames = np.asarray(frames, float)
    share = (
        evaluate(frames, np.array([first, last]), np.array([[0.0], [1.0]]), move.ease, "in-out")
        if last > first
        else np.zeros((len(frames), 1))
    )
    poses = _planned(move, share)
    return poses if move.wander is None else wandering(poses, move.wander, (frames - first) / rate)


def _planned(move: Move, share: np.ndarray) -> np.ndarray:
    start, aim = np.array(move.start, float), np.array(move.aim, float)
    opening = look_at(start, aim)
    travel, turn = share * move.distance, share[:, 0] * move.angle
    if move.kind in ("pan", "tilt"):
        axis = np.array([1.0, 0, 0] if move.kind == "pan" else [0, 1.0, 0])
        return from_pan_tilt_roll(start, pan_tilt_roll(opening) + turn[:, None] * axis)
    if move.kind == "crane":
        return look_at(start + travel * [0, 0, 1.0], aim)
    if move.kind == "arc":
        x, y, z = start - aim
        circle = np.stack([np.cos(turn) * x - np.sin(turn) * y, np.sin(turn) * x + np.cos(turn) * y], axis=-1)
        return look_at(aim + np.concatenate([circle, np.full((len(turn), 1), z)], axis=-1), aim)
    ways = {"hold": np.zeros(3), "push": opening[:3, 2], "pull": -opening[:3, 2], "dolly": opening[:3, 0]}
    if move.kind not in ways:
        raise ValueError(f"move kind {move.kind!r} is unknown")
    poses = np.tile(opening, (len(share), 1, 1))
    poses[:, :3, 3] += travel * ways[move.kind]
    return poses


def wandering(world_from_cam: np.ndarray, wander: Wander, time_s: np.ndarray) -> np.ndarray:
    """(F, 4, 4) poses with unrest added: to x, y, z in the world, and to pan, tilt, roll.

    world_from_cam : (F, 4, 4)
    time_s : (F,) since the shot's first frame
    """
    unrest = band_limited_noise(wander.band, time_s, 6, wander.seed)
    at = world_from_cam[:, :3, 3] + wander.travel * unrest[:, :3]
    return from_pan_tilt_roll(at, pan_tilt_roll(world_from_cam) + wander.turn * unrest[:, 3:])


def band_limited_noise(band_hz: tuple[float, float], time_s: np.ndarray, channels: int, seed: int) -> np.ndarray:
    """(F, channels) smooth noise of standard deviation 1 (over times long against the band), flat within the band.

    A sum of sinusoids, one at a random place in each equal part of the band, with random phases: its value at a time
    depends on nothing but seed and time, so a longer shot or another frame rate shows the same unrest.
    """
    low, high = band_hz
    rng = np.random.Generator(np.random.PCG64(seed))
    place, phase = rng.random((2, channels, WAVES))
    frequency = low + (high - low) * (np.arange(WAVES) + place) / WAVES
    waves = np.cos(2 * np.pi * (np.asarray(time_s, float)[:, None, None] * frequency + phase))
    out: np.ndarray = np.sqrt(2 / WAVES) * waves.sum(axis=-1)
    return out
