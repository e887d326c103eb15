"""What the buttons about shots do: jump to frames that hold a shot back, give a camera a move, write the report."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path

import bpy
import numpy as np
from scatterproof.camera.track import camera_track
from scatterproof.paint.choice import scene_of, shot_edges, study_paint
from scatterproof.plan.model import Move, Plan, Shot
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import compose, template_names
from scatterproof.plan.write import save_text
from scatterproof.problems import one_problem
from scatterproof.readiness.rehearse import Progress
from scatterproof.report.data import readiness_csv, readiness_json
from scatterproof.report.page import page, shot_section
from scatterproof.report.paint import paint_section

from ..bridge import tags
from ..bridge.animation import clear_animation
from ..bridge.cameras import key_move, pose_now
from ..bridge.scene import collection_named, read_scene, shot_places
from ..bridge.stubs import has, triple
from ..store import STORE
from .staging import keep_with, kept_plan

LOOK_M = (1.0, 4.0)  # how far ahead a move aims: at least this; this where the action lies behind the camera


def held_back(scene: bpy.types.Scene, least: int) -> list[tuple[int, str]]:
    """(scene frame, sentence) of every rehearsed frame whose state is ``least`` or worse, in the timeline's order."""
    places, found = shot_places(scene), []
    for rehearsal in STORE.last(scene):
        readiness = rehearsal.readiness
        if readiness.name not in places:
            continue  # deleted or renamed since
        for row in np.flatnonzero(readiness.state >= least).tolist():
            why = readiness.reasons[row][0].text if readiness.reasons[row] else ""
            frame = int(readiness.frame[row])
            found.append((frame + places[readiness.name].offset, f"{readiness.name}, frame {frame}: {why}"))
    return sorted(found)


def starts(found: list[tuple[int, str]]) -> list[tuple[int, str]]:
    """The first frame of every unbroken run."""
    frames = {frame for frame, _ in found}
    return [(frame, text) for frame, text in found if frame - 1 not in frames]


def jump(scene: bpy.types.Scene, least: int, back: bool) -> str:
    """Go to the next (or previous) run of frames that are as bad as ``least``; round the end of the timeline."""
    runs = starts(held_back(scene, least))
    if not runs:
        raise one_problem("readiness", "no such frame", "frames that hold a shot back; rehearse again after changes")
    now = scene.frame_current
    ahead = [run for run in runs if (run[0] < now if back else run[0] > now)]
    frame, text = (ahead or runs)[-1 if back else 0]
    scene.frame_set(frame)
    return text


def move_template(name: str) -> Move:
    """The move of a template. Raises BadInput for a name that is none."""
    text = compose(
        stage=template_names("stages")[0], camera=template_names("cameras")[0], markers=[], moves=[name], name=name
    )
    move = parse_plan(text, name).plan.shots[0].move
    if move is None:
        raise one_problem(f"moves/{name}", "no move", "a template of templates/moves")
    return move


def add_move(scene: bpy.types.Scene, camera: bpy.types.Object, name: str) -> str:
    """Let a shot's camera make a template's move from where it is now, over the shot's own frames.

    Frame range, lens and focus stay. Raises BadInput before anything is touched.
    """
    if camera.library is not None:
        raise one_problem(f"camera {camera.name!r}", "linked from another file", "a library override or a local copy")
    read = read_scene(scene)
    shots = {s.name: s for s in read.plan.shots if read.places[s.name].camera == camera}
    if not shots:
        raise one_problem(f"camera {camera.name!r}", "in no shot", "a camera of a shot; mark it as a camera first")
    at, ahead = pose_now(scene, camera)
    template, made = move_template(name), {}
    for shot in shots.values():
        reach = float((np.array(shot.action_point) - at) @ ahead)
        aim = at + ahead * (max(reach, LOOK_M[0]) if reach > 0 else LOOK_M[1])
        made[shot.name] = with_move(shot, dataclasses.replace(template, start=triple(at), aim=triple(aim)))
    plan = _with_shots(read.plan, made)
    tracks = {shot.name: camera_track(plan, shot) for shot in made.values()}
    if has(scene, tags.PLAN):
        entries = {tags.entry_of(camera): shot.move for shot in made.values()}
        kept = kept_plan(scene, read)
        known = {s.name: with_move(s, entries[s.name]) for s in kept.shots if s.name in entries}
        keep_with(scene, _with_shots(kept, known), read.live)
    aims = [t for t in tags.tagged(scene, "aim") if tags.entry_of(t) == tags.entry_of(camera)]
    camera.constraints.clear()
    clear_animation(camera)
    for thing in aims:
        bpy.data.objects.remove(thing, do_unlink=True)
    for shot in made.values():
        key_move(
            collection_named(scene, "Cameras"),
            camera,
            scene,
            plan,
            shot,
            tracks[shot.name],
            read.places[shot.name].offset,
        )
    return (
        f"{camera.name}: {name.replace('-', ' ')}, frames {', '.join('{}-{}'.format(*s.frames) for s in made.values())}"
    )


def with_move(shot: Shot, move: Move | None) -> Shot:
    """A shot that makes this move and no other."""
    return dataclasses.replace(shot, move=move, keys=(), samples=())


def _with_shots(plan: Plan, changed: dict[str, Shot]) -> Plan:
    return dataclasses.replace(plan, shots=tuple(changed.get(shot.name, shot) for shot in plan.shots))


def write_report(scene: bpy.types.Scene, folder: Path) -> Iterator[Progress]:
    """Write readiness.json, readiness.csv and report.html of the last rehearsal, as the command line does."""
    last = STORE.last(scene)
    if not last:
        raise one_problem("readiness", "nothing rehearsed", "a rehearsal of this scene")
    sections, edges, total = [], [], len(last) + 2
    for done, rehearsal in enumerate(last):
        yield Progress(rehearsal.shot.name, done, total)
        sections.append(shot_section(rehearsal))
        edges.append(shot_edges(rehearsal.layout, rehearsal.sightings))
    plan, scored = last[0].plan, [rehearsal.readiness for rehearsal in last]
    yield Progress("paint", total - 2, total)
    paint = paint_section(study_paint(plan, scene_of(plan, last[0].layout, edges)))
    yield Progress("writing", total - 1, total)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise one_problem("folder", str(folder), f"a folder that can be written to ({error.strerror})") from error
    save_text(folder / "readiness.json", json.dumps(readiness_json(plan, scored), indent=1, ensure_ascii=False) + "\n")
    save_text(folder / "readiness.csv", readiness_csv(scored))
    save_text(folder / "report.html", page(plan, scored, sections, paint))
