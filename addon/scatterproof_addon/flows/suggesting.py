"""Suggested stands: ghosts with numbers, each accepted or dismissed by a person; nothing else in the scene changes."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from typing import Any

import bpy
from scatterproof.advise.advise import STAND, advising
from scatterproof.plan.model import Stand
from scatterproof.problems import one_problem
from scatterproof.readiness.rehearse import Progress

from ..bridge import standing, tags
from ..bridge.folders import plan_folder
from ..bridge.scene import collection_named, paint_materials, read_scene
from .staging import kept_plan, place_stand, unused_name

GHOST = "suggestion"  # the part of a suggested stand
HELD, SAID = "scatterproof_stand", "scatterproof_advice"  # on a ghost: its stand; on the scene: what else was advised


def ghosts(scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """The stands that are suggested and neither accepted nor dismissed yet."""
    return tags.tagged(scene, GHOST)


def suggest(scene: bpy.types.Scene, budget: int) -> Iterator[Progress]:
    """Look for stands that mend the shot at the playhead, and show them; earlier suggestions go.

    Until the end nothing is touched. Raises BadInput where no shot is at the playhead.
    """
    read = read_scene(scene)
    shot = next((s for s in read.plan.shots if scene.frame_current in read.scene_frames([s])), None)
    if shot is None:
        raise one_problem(f"frame {scene.frame_current}", "no shot", "a frame of the shot that is to be mended")
    steps = advising(read.plan, [shot.name], budget, plan_folder(scene))
    while True:
        try:
            step = next(steps)
        except StopIteration as end:
            advice = end.value
            break
        yield Progress(step.what, step.done, step.total)
    dismiss(scene, ghosts(scene))
    materials, others = paint_materials(read.plan), list(advice.notes)
    for number, change in enumerate(advice.changes, start=1):
        if change.kind == STAND and isinstance(change.thing, Stand):
            _show(scene, number, change.thing, materials)
        else:
            others.append(f"{number}: {change.text}")
    if not advice.changes and advice.firm:
        others.append(f"{shot.name} is firm already.")
    scene[SAID] = others


def _show(
    scene: bpy.types.Scene, number: int, stand: Stand, materials: dict[str, bpy.types.Material]
) -> bpy.types.Object:
    named = dataclasses.replace(stand, name=f"suggested {number}")
    thing = standing.make_stand(collection_named(scene, "Suggestions"), scene, named, materials)
    tags.tag(thing, GHOST, stand.name)
    thing[HELD] = json.dumps(dataclasses.asdict(stand))
    thing.display_type, thing.show_name, thing.hide_render = "WIRE", True, True
    return thing


def accept(scene: bpy.types.Scene, thing: bpy.types.Object) -> str:
    """Make a ghost a stand, where it is now; returns its name."""
    values: Any = {k: tuple(v) if isinstance(v, list) else v for k, v in json.loads(str(thing[HELD])).items()}
    read = read_scene(scene)
    name = unused_name("stand", kept_plan(scene, read).stands, read.plan.stands)
    stand = standing.read_stand(thing, scene, Stand(**values), name)
    made = place_stand(scene, read, stand)
    dismiss(scene, [thing])
    return f"{made.name} stands; rehearse to see what it mends"


def dismiss(scene: bpy.types.Scene, things: list[bpy.types.Object]) -> None:
    """Remove ghosts, and their collection with the last of them."""
    for thing in things:
        mesh = thing.data
        bpy.data.objects.remove(thing, do_unlink=True)
        if mesh is not None and mesh.users == 0:
            bpy.data.batch_remove([mesh])
    if not ghosts(scene):
        scene.pop(SAID, None)
        for child in list(scene.collection.children):
            if child.get(tags.PART) == "Suggestions" and not child.objects:
                bpy.data.collections.remove(child)
