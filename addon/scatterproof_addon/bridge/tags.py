"""How objects remember what they stand for: custom properties, readable with or without the extension.

An object made from a plan (or marked by a person) carries its part, the plan entry's name and the object name given
at that time. So a rename, a duplicate and a deletion can be told apart when the scene is read back.
"""

from __future__ import annotations

from collections.abc import Iterator

import bpy

PART = "scatterproof_part"
ENTRY = "scatterproof_entry"
SHOWN = "scatterproof_shown"
PLAN = "scatterproof_plan"  # on the scene: the plan as TOML text
FOLDER = "scatterproof_folder"  # on the scene: where files that the plan names lay when it was built
LIVE = "scatterproof_live"  # on the scene: shots of that plan whose cameras no plan built
SHARP = "scatterproof_depth_of_field"  # on camera data: there was depth of field before a readout hung in front of it
# On the scene: files of the survey, the name it is remembered under, what was taken over.
SURVEY = ("scatterproof_survey_files", "scatterproof_survey_read", "scatterproof_survey_taken")
DERIVED = "derived"  # parts that are rebuilt from others and never read back

# Parts that stand for plan entries, and the collection each lives in.
COLLECTIONS = {
    "floor": "Stage",
    "wall": "Stage",
    "panel": "Stage",
    "cove": "Stage",
    "corner": "Stage",
    "markers": "Markers",
    "stand": "Stands",
    "gear": "Gear",
    "blocker": "Blockers",
    "shot": "Cameras",
    "aim": "Cameras",
    "action point": "Cameras",
    "readout": "Readiness",
    "suggestion": "Suggestions",
    "survey": "Survey",
    "solved": "Solve preview",
}


def tag(thing: bpy.types.Object, part: str, entry: str) -> None:
    """Mark an object as standing for a plan entry under its present name."""
    thing[PART], thing[ENTRY], thing[SHOWN] = part, entry, thing.name


def part_of(thing: bpy.types.ID) -> str:
    """The part an object stands for, empty for objects that are not ours."""
    return str(thing.get(PART, ""))


def entry_of(thing: bpy.types.ID) -> str:
    """The plan entry's name an object was made from."""
    return str(thing.get(ENTRY, ""))


def tagged(scene: bpy.types.Scene, part: str) -> list[bpy.types.Object]:
    """Objects of a part in this scene, originals before duplicates, then by name."""
    found = [thing for thing in scene.objects if part_of(thing) == part]
    return sorted(found, key=lambda thing: (thing.name != thing.get(SHOWN), thing.name))


def named(scene: bpy.types.Scene, part: str) -> Iterator[tuple[bpy.types.Object, str, str]]:
    """(object, plan entry it came from, its name now) for every object of a part; names now are unique.

    A renamed object keeps its origin; a duplicate comes from the same entry under its own name.
    """
    taken: set[str] = set()
    for thing in tagged(scene, part):
        origin = entry_of(thing)
        first_of_origin = origin and origin not in taken
        kept = thing.name == thing.get(SHOWN) and first_of_origin
        name = origin if kept else thing.name
        taken.add(name)
        if first_of_origin:
            taken.add(origin)
        yield thing, origin, name
