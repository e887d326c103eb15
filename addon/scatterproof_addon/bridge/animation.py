"""Keys of any Blender version: where the curves of an object live, how they are written and read."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import bpy


@dataclass(frozen=True, slots=True)
class Channel:
    """One animated number: its data path, its index in that path."""

    path: str
    index: int = 0


def curves_of(owner: Any) -> list[Any]:
    """The F-curves that animate ``owner``; Blender 4.4 and later keep them per slot, in layers."""
    data = owner.animation_data
    if data is None or data.action is None:
        return []
    action = data.action
    slot = getattr(data, "action_slot", None)
    if slot is None:
        return list(getattr(action, "fcurves", ()))
    return [
        curve
        for layer in action.layers
        for strip in layer.strips
        for bag in [strip.channelbag(slot)]
        if bag is not None
        for curve in bag.fcurves
    ]


def write_keys(
    owner: Any,
    path: str,
    frames: Sequence[int],
    values: Sequence[Any],
    interpolations: Iterable[str],
    easings: Iterable[str] | None = None,
) -> None:
    """Key a property of an ID: one value (or one row of values) per frame. Replaces what was keyed there before."""
    current = owner.path_resolve(path)
    size = len(current) if hasattr(current, "__len__") else 1
    owner.keyframe_insert(path, frame=frames[0])  # makes action, slot and curves in every version
    modes = [mode.upper() for mode in interpolations]
    eases = [_EASING[ease] for ease in easings] if easings is not None else ["AUTO"] * len(modes)
    for curve in curves_of(owner):
        if curve.data_path != path:
            continue
        points = curve.keyframe_points
        points.clear()
        points.add(len(frames))
        column = [row[curve.array_index] if size > 1 else row for row in values]
        points.foreach_set("co", [number for pair in zip(frames, column, strict=True) for number in pair])
        for point, mode, ease in zip(points, modes, eases, strict=True):
            point.interpolation, point.easing = mode, ease
            point.handle_left_type = point.handle_right_type = "AUTO_CLAMPED"
            point.back, point.amplitude, point.period = SWING
        curve.update()


# Overshoot of "back", amplitude and period of "elastic" as Blender gives them to keys that a person inserts
# (DNA_anim_types defaults, read from a key made by keyframe_insert); keys added as a block have zeros.
SWING = (1.70158, 0.8, 4.1)
_EASING = {"auto": "AUTO", "in": "EASE_IN", "out": "EASE_OUT", "in-out": "EASE_IN_OUT"}
EASING_NAME = {value: key for key, value in _EASING.items()}


def keyed_frames(owner: Any, channels: Sequence[Channel]) -> tuple[list[float], list[tuple[str, str]]] | None:
    """Common key frames of the channels and each key's (interpolation, easing).

    None where the channels are keyed at different frames or in different ways, where handles were set by hand, or
    where a curve carries modifiers: such a move has no plain keys and must be sampled.
    """
    found: list[tuple[tuple[float, ...], tuple[tuple[str, str], ...]]] = []
    wanted = set(channels)
    for curve in curves_of(owner):
        if Channel(curve.data_path, curve.array_index) not in wanted:
            continue
        points = curve.keyframe_points
        automatic = all(
            p.handle_left_type == p.handle_right_type == "AUTO_CLAMPED" for p in points if p.interpolation == "BEZIER"
        )
        if curve.modifiers or curve.extrapolation != "CONSTANT" or not automatic:
            return None
        found.append(
            (
                tuple(p.co[0] for p in points),
                tuple((p.interpolation.lower(), EASING_NAME.get(p.easing, "auto")) for p in points),
            )
        )
    if not found or any(entry != found[0] for entry in found):
        return None
    return list(found[0][0]), list(found[0][1])


def clear_animation(owner: Any) -> None:
    """Drop an owner's animation and its action when nobody else uses it."""
    data = owner.animation_data
    action = data.action if data else None
    owner.animation_data_clear()
    owner.update_tag()  # or else Blender's evaluated copy keeps the action that goes now, and reads freed memory
    if action is not None and action.users == 0:
        bpy.data.actions.remove(action)
