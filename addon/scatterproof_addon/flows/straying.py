"""How far takes of a shot may stray: asked for the shot at the playhead, its words kept in the scene."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field

import bpy
from scatterproof.advise.tolerance import tolerance_of
from scatterproof.problems import one_problem
from scatterproof.readiness.rehearse import Progress, Rehearsal
from scatterproof.readiness.verdict import LOST
from scatterproof.report.advice import nearest_limit

from ..bridge.folders import plan_folder
from ..overlay.live import LIVES
from ..preferences import units_for
from ..store import STORE
from .staging import look, rehearse_scene

SAID = "scatterproof_straying"  # on the scene: shot -> lines, as JSON
TAKES = 200


@dataclass
class Asked:
    """Which rehearsals the words in scenes were worked out from."""

    of: dict[tuple[int, str], Rehearsal] = field(default_factory=dict)  # scene and shot


ASKED = Asked()


def stray(scene: bpy.types.Scene) -> Iterator[Progress]:
    """Ask it of the shot at the playhead, rehearsing where the scene has changed. Nothing is kept before the end.

    Raises BadInput where no shot is at the playhead.
    """
    seen = yield from look(scene)
    shot = next((s for s in seen.plan.shots if scene.frame_current in seen.read.scene_frames([s])), None)
    if shot is None:
        raise one_problem(f"frame {scene.frame_current}", "no shot", "a frame of the shot that is asked about")
    if not STORE.holds(scene, seen.digest):
        yield from rehearse_scene(scene)
    rehearsal = next(r for r in STORE.last(scene) if r.shot.name == shot.name)
    steps = tolerance_of(rehearsal, TAKES, plan_folder(scene))
    while True:
        try:
            step = next(steps)
        except StopIteration as end:
            found = end.value
            break
        yield Progress(step.what, step.done, step.total)
    if (found.planned == LOST).all():
        limit = "Lost as planned: no limit to look for"
    elif nearest := nearest_limit(found, units_for(seen.plan.units)):
        limit = f"Nearest limit: {nearest}"
    else:
        limit = "No limit within reach"
    lines = [found.text[0].upper() + found.text[1:], limit]
    scene[SAID] = json.dumps(_kept(scene) | {shot.name: lines})
    ASKED.of[scene.session_uid, shot.name] = rehearsal


def _kept(scene: bpy.types.Scene) -> dict[str, list[str]]:
    try:
        return dict(json.loads(str(scene.get(SAID, "{}"))))
    except ValueError:  # edited by hand
        return {}


def said(scene: bpy.types.Scene) -> list[tuple[str, list[str], bool]]:
    """(shot, lines, whether they still hold) of every shot that was asked about."""
    live, last = LIVES.of(scene), STORE.last(scene)
    told = []
    for shot, lines in _kept(scene).items():
        of = ASKED.of.get((scene.session_uid, shot))
        holds = of is not None and any(of is r for r in last)
        late = live is not None and shot in live.shots and bool(live.shots[shot].stale)
        told.append((shot, lines, holds and not late))
    return told
