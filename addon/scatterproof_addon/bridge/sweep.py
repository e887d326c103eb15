"""Going through the frames of a scene once, and putting the current one back."""

from __future__ import annotations

from collections.abc import Generator, Iterable

import bpy


def sweep(scene: bpy.types.Scene, frames: Iterable[int]) -> Generator[tuple[int, bpy.types.Depsgraph], None, None]:
    """Every frame once, in order, with the scene evaluated there; the current frame comes back at the end.

    Also where whoever iterates gives up half-way.
    """
    current, sub = scene.frame_current, scene.frame_subframe
    try:
        for frame in sorted(set(frames)):
            scene.frame_set(frame)
            yield frame, scene.view_layers[0].depsgraph
    finally:
        scene.frame_set(current, subframe=sub)
