"""What is baked says what the engine said, and leaves nothing when it is cleared."""

from pathlib import Path

import bpy
import numpy as np
import pytest
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.readiness.rehearse import rehearse
from scatterproof.readiness.verdict import FIRM, LOST, THIN, Reason, ShotReadiness
from scatterproof_addon.bridge.bake import bake, clear_bake, ring_states, stretches
from scatterproof_addon.bridge.glyphs import glyph
from scatterproof_addon.bridge.scene import build_scene, shot_places


def readiness(states, reasons):
    blank = np.zeros(len(states))
    counts = blank.astype(int)
    frame = np.arange(len(states)) + 1001
    known = dict.fromkeys(ShotReadiness.__dataclass_fields__, blank)
    known |= {"name": "s", "camera": "c", "frame": frame, "state": np.array(states), "rotation_only": False}
    return ShotReadiness(**known | {"features": counts, "delivered": counts, "depths": counts, "reasons": reasons})


@pytest.mark.parametrize(("code", "worst"), [("features", 2.0), ("depths", 2.0), ("blur", 9.0), ("jitter", 9.0)])
def test_a_stretch_tells_its_worst_frame(code, worst):
    """Counts fall short below their limit, blur and slide above it."""
    reasons = tuple((Reason(code, v, 5.0, f"{v}"),) for v in (4.0, 2.0, 9.0, 3.0))
    (part,) = stretches(readiness([THIN] * 4, reasons))
    assert (part.first, part.last, part.state, part.text) == (1001, 1004, THIN, f"{worst}")


def test_firm_frames_are_one_stretch_whatever_is_tightest():
    reasons = tuple((Reason(code, 9.0, 5.0, code),) for code in ("features", "depths", "features", "features"))
    assert [(p.first, p.last) for p in stretches(readiness([FIRM, FIRM, LOST, FIRM], reasons))] == [
        (1001, 1002),
        (1003, 1003),
        (1004, 1004),
    ]


def test_every_ring_shows_its_state_in_every_frame(scene):
    """Blender's evaluated ring mesh has as many faces as the glyphs of the engine's states together."""
    plan = parse_plan(example("lantern-yard"), "lantern-yard").plan
    build_scene(scene, plan, Path())
    before = [len(block) for block in (scene.objects, bpy.data.actions, bpy.data.node_groups, scene.timeline_markers)]
    rehearsals = tuple(rehearse(plan))
    bake(scene, rehearsals)
    rings = next(thing for thing in scene.objects if thing.name.startswith("Sight rings"))
    size = np.array([0, *(len(glyph(state)[1]) for state in (FIRM, THIN, LOST))])
    for rehearsal in rehearsals:
        offset = shot_places(scene)[rehearsal.shot.name].offset
        for row in (0, len(rehearsal.track.frame) // 2, -1):
            scene.frame_set(int(rehearsal.track.frame[row]) + offset)
            shown = rings.evaluated_get(bpy.context.evaluated_depsgraph_get()).data
            assert len(shown.polygons) == size[ring_states(rehearsal.layout, rehearsal.sightings.why)[row]].sum()
    clear_bake(scene)
    assert before == [
        len(block) for block in (scene.objects, bpy.data.actions, bpy.data.node_groups, scene.timeline_markers)
    ]
