"""Write a large stage as a .blend with its readiness baked in: what each step takes beyond the rehearsal itself.

    PYTHONPATH=engine:addon python tests/bench/bench_scene.py [--markers 2000] [--shots 3] [--frames 240]

The stage is the template large-cyclorama with its walls and floor full of markers; the moves are templates too.
Prints times and the file's size, and which part of the scene they grow with; asserts nothing.
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
import os
import tempfile
import time
from pathlib import Path

import bpy
from scatterproof.plan.model import Plan
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import compose, template_names
from scatterproof.readiness.rehearse import rehearse
from scatterproof_addon.bridge.bake import bake, clear_bake
from scatterproof_addon.bridge.light import light_stage
from scatterproof_addon.bridge.scene import build_scene

MOVES = ("push", "arc", "crane-up", "tracking-dolly", "hand-held")


def big_plan(markers: int, shots: int, frames: int) -> Plan:
    """The cyclorama with markers of ordinary size as close as they fit, and moves over the same frames."""
    moves = list(itertools.islice(itertools.cycle(MOVES), shots))
    text = compose(
        name="large",
        stage="large-cyclorama",
        camera=template_names("cameras")[0],
        markers=["wall-scatter", "floor-scatter"],
        moves=moves,
    )
    plan = parse_plan(text, "large").plan
    share = {"wall": markers * 5 // 8, "floor": markers - markers * 5 // 8}
    sets = tuple(
        dataclasses.replace(s, count=share[s.name.split()[0]], spacing=None, density=None, size=(0.08, 0.12))
        for s in plan.markers
        if s.name.split()[0] in share
    )
    return dataclasses.replace(
        plan, markers=sets, shots=tuple(dataclasses.replace(s, frames=(1, frames)) for s in plan.shots)
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--markers", type=int, default=2000)
    parser.add_argument("--shots", type=int, default=3)
    parser.add_argument("--frames", type=int, default=240)
    options = parser.parse_args()
    plan = big_plan(options.markers, options.shots, options.frames)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    took: dict[str, float] = {}

    def timed(name, work):
        start, cpu = time.monotonic(), time.process_time()
        result = work()
        took[name] = time.monotonic() - start
        print(f"{name:30} {took[name]:7.1f} s   ({time.process_time() - cpu:.1f} s of processor)")
        return result

    layout = timed("build the scene", lambda: build_scene(scene, plan, Path()))
    rehearsals = timed("rehearse (the engine's part)", lambda: tuple(rehearse(plan)))
    timed("light and bake", lambda: (light_stage(scene, plan.stage.key_light), bake(scene, rehearsals)))
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "large.blend")
        timed("save, compressed", lambda: bpy.ops.wm.save_as_mainfile(filepath=path, compress=True))
        size = os.path.getsize(path) / 1e6
        rings = next(o for o in scene.objects if o.name.startswith("Sight rings"))
        ring_points, things, words = (
            len(rings.data.vertices),
            len(scene.objects),
            sum(o.type == "FONT" for o in scene.objects),
        )
        frames = scene.frame_end - scene.frame_start + 1
        start = time.monotonic()
        for frame in range(scene.frame_start, scene.frame_start + 20):
            scene.frame_set(frame)
        play = (time.monotonic() - start) / 20
        timed("clear the bake", lambda: clear_bake(scene))
        bpy.ops.wm.save_as_mainfile(filepath=path, compress=True)
        bare = os.path.getsize(path) / 1e6
    beyond = sum(took.values()) - took["rehearse (the engine's part)"] - took["clear the bake"]
    names = layout.markers.name
    print(f"{len(names)} markers, {len(plan.shots)} shots, {frames} frames, {things} objects, {words} readouts")
    print(f"beyond the rehearsal {beyond:.1f} s; the file {size:.2f} MB, without the bake {bare:.2f} MB")
    print(f"rings: {ring_points} points, {len(names) * frames / 1e6:.2f} million states in one image")
    print(f"going to another frame takes {play * 1000:.0f} ms")


if __name__ == "__main__":
    main()
