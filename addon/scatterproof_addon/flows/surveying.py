"""What the Survey panel's buttons do: read files, show what they say, take it over as far as a person accepts it."""

from __future__ import annotations

import dataclasses
import uuid
from collections.abc import Iterator, Sequence
from pathlib import Path

import bpy
import numpy as np
from scatterproof.plan.model import Plan
from scatterproof.problems import BadInput, one_problem
from scatterproof.readiness.rehearse import Progress
from scatterproof.sightings.need import planned_layout
from scatterproof.stage.layout import Layout
from scatterproof.survey.asbuilt import as_built
from scatterproof.survey.files import Brought, read_survey, with_takes
from scatterproof.survey.found import Found, find
from scatterproof.survey.page import summary
from scatterproof.survey.tables import Told
from scatterproof.survey.targets import MARKER, targets_of
from scatterproof.survey.words import to_do

from ..bridge import tags
from ..bridge.arrows import clear_arrows, draw_arrows, pointed_at
from ..bridge.bake import clear_bake
from ..bridge.folders import plan_folder
from ..bridge.scene import Live, build_scene, read_scene
from .staging import text_of

FILES, READ, TAKEN = tags.SURVEY
KEPT = 8  # surveys remembered, so that undo finds those before


@dataclasses.dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A survey as it was read, and what to tell of it."""

    found: Found
    brought: Brought
    units: str
    owners: tuple[str, ...]  # names of markers, stands and gear
    summary: str
    to_do: tuple[str, ...]
    said: tuple[str, ...]  # what the camera reports would change


@dataclasses.dataclass(frozen=True, slots=True)
class How:
    """What a person settled of what files leave open."""

    told: Told
    by: str = ""  # "labels", "pattern", empty: labels where they agree
    as_given: bool = False


@dataclasses.dataclass(slots=True)
class Surveys:
    """Surveys by the name under which a scene remembers them, and the questions of the last one that was not read."""

    kept: dict[str, Seen] = dataclasses.field(default_factory=dict)
    questions: dict[int, tuple[str, ...]] = dataclasses.field(default_factory=dict)

    def of(self, scene: bpy.types.Scene) -> Seen | None:
        """The survey that the scene shows; nothing where it was read in another session."""
        return self.kept.get(str(scene.get(READ, "")))

    def asked(self, scene: bpy.types.Scene) -> tuple[str, ...]:
        """What the files left open."""
        return self.questions.get(scene.session_uid, ())

    def keep(self, scene: bpy.types.Scene, seen: Seen) -> None:
        """Remember a survey under a new name, which the scene keeps."""
        name = uuid.uuid4().hex
        self.kept[name] = seen
        for old in list(self.kept)[:-KEPT]:
            del self.kept[old]
        scene[READ], scene[TAKEN] = name, ""

    def forget(self) -> None:
        """Drop everything."""
        self.kept.clear()
        self.questions.clear()


SURVEYS = Surveys()


def files_of(scene: bpy.types.Scene) -> list[Path]:
    """The files that were chosen last."""
    return [Path(bpy.path.abspath(line)) for line in str(scene.get(FILES, "")).splitlines()]


def choose_files(scene: bpy.types.Scene, paths: Sequence[Path]) -> None:
    """Remember which files make the survey."""
    scene[FILES] = "\n".join(map(str, paths))


def take_in(scene: bpy.types.Scene, how: How) -> Iterator[Progress]:
    """Read the chosen files and show what they say: arrows in a collection of their own, the plan stays as it is.

    Raises BadInput with what the files leave open, which the panel goes on showing.
    """
    SURVEYS.questions.pop(scene.session_uid, None)
    paths = files_of(scene)
    total = len(paths) + 2
    yield Progress("Survey: reading", 0, total)
    try:
        if not paths:
            raise one_problem("survey", "no files", "point lists, field notes or camera reports")
        read = read_scene(scene)
        layout = planned_layout(read.plan, plan_folder(scene))
        targets = targets_of(read.plan, layout)
        told = dataclasses.replace(how.told, across_m=targets.across_m)
        brought = Brought((), (), ())
        for row, so_far in enumerate(read_survey(paths, told, read.plan), start=1):
            brought = so_far
            yield Progress("Survey: reading" if row < len(paths) else "Survey: matching", row, total)
        if not brought.points and not brought.notes:
            raise one_problem("survey", "camera reports alone", "a list of points or field notes beside them")
        found = find(
            targets, layout.surfaces, brought.points, brought.notes, as_given=how.as_given, by=how.by
        )  # fmt: skip
    except BadInput as problem:
        told_here = [
            dataclasses.replace(p, found=in_the_panel(p.found), expected=in_the_panel(p.expected))
            for p in problem.problems
        ]
        SURVEYS.questions[scene.session_uid] = tuple(map(str, told_here))
        raise BadInput(told_here) from None
    yield Progress("Survey: drawing", total - 1, total)
    said = with_takes(read.plan, brought.takes)[1]
    lines = tuple(in_the_panel(line) for line in to_do(read.plan, layout, found))
    SURVEYS.keep(
        scene, Seen(found, brought, read.plan.units, tuple(layout.owner_names), summary(found), lines, tuple(said))
    )
    draw_arrows(scene, found, np.ones(len(targets), bool), read.plan.units)


# Options of the command line, as the panel calls them.
_WORDS = (
    ("; if they are not on the stage, run again with --unsurveyed drop", ""), ("--match pattern", "Match: by pattern"),
    ("--match labels", "Match: by labels"), ("--units", "Units:"), ("--columns", "Columns:"), ("--axes", "Axes:"),
    ("--angles", "Angles:"), ("--delimiter", "Delimiter:"), ("--decimal", "Decimal:"), ("--encoding", "Encoding:"),
)  # fmt: skip


def in_the_panel(line: str) -> str:
    """A sentence of the engine with the panel's names for the command line's options."""
    for option, word in _WORDS:
        line = line.replace(option, word)
    return line


def left(scene: bpy.types.Scene, found: Found) -> np.ndarray:
    """(T,) bool which targets have not been taken over."""
    taken = set(str(scene.get(TAKEN, "")).splitlines())
    return np.array([name not in taken for name in found.targets.name])


def accept_all(scene: bpy.types.Scene) -> str:
    """Put everything surveyed where it was found, lens settings of good takes included."""
    seen = _shown(scene)
    accept = left(scene, seen.found) & seen.found.surveyed
    return _accept(scene, seen, accept, whole=True)


def accept(scene: bpy.types.Scene, names: set[str]) -> str:
    """Put these planned things where they were found."""
    seen = _shown(scene)
    targets = seen.found.targets
    chosen = np.array([name in names for name in targets.name])
    whole = np.isin(targets.owner, targets.owner[chosen]) & (targets.kind != MARKER)  # stands and gear move as one
    chosen = (chosen | whole) & seen.found.surveyed
    if not (chosen & left(scene, seen.found)).any():
        raise one_problem("arrows", "none that can be accepted", "arrows of things that were surveyed, selected")
    return _accept(scene, seen, chosen & left(scene, seen.found))


def accept_selected(scene: bpy.types.Scene, objects: Sequence[bpy.types.Object]) -> str:
    """Put the things that selected arrows point at where they were found."""
    return accept(scene, pointed_at(objects))


def discard(scene: bpy.types.Scene) -> str:
    """Take the survey away; what was accepted stays."""
    clear_arrows(scene)
    for key in (READ, TAKEN, FILES):
        scene.pop(key, None)
    SURVEYS.questions.pop(scene.session_uid, None)
    return "Survey discarded; what was accepted stays"


def _shown(scene: bpy.types.Scene) -> Seen:
    seen = SURVEYS.of(scene)
    if seen is None:
        raise one_problem("survey", "none read in this session", "the survey's files, read again")
    return seen


def _accept(scene: bpy.types.Scene, seen: Seen, chosen: np.ndarray, whole: bool = False) -> str:
    found, read = seen.found, read_scene(scene)
    folder = plan_folder(scene)
    layout = planned_layout(read.plan, folder)
    if targets_of(read.plan, layout).name != found.targets.name:
        raise one_problem("stage", "other markers or stands than when the survey was read", "the survey, read again")
    hand = chosen & by_hand(read.plan, layout, found, read.live)
    plan = as_built(read.plan, layout, found, chosen & ~hand)
    if whole:
        plan = with_takes(plan, seen.brought.takes)[0]
    frame, camera = scene.frame_current, scene.camera.name if scene.camera else ""
    kept = {key: str(scene.get(key, "")) for key in tags.SURVEY}
    build_scene(scene, plan, folder, text_of(scene, plan), read.live)
    clear_bake(scene)
    scene.camera = scene.objects.get(camera) or scene.camera
    scene.frame_set(frame)
    names = [name for name, done in zip(found.targets.name, chosen & ~hand, strict=True) if done]
    for key, value in kept.items():
        scene[key] = value
    scene[TAKEN] = "\n".join([*kept[TAKEN].splitlines(), *names])
    draw_arrows(scene, found, left(scene, found), seen.units)
    rest = f"; {int(hand.sum())} modelled by hand stay where they are: move them yourself" if hand.any() else ""
    return f"Took over {len(names)} of {int(found.surveyed.sum())} surveyed points{rest}"


def by_hand(plan: Plan, layout: Layout, found: Found, live: Live) -> np.ndarray:
    """(T,) bool which targets are parts of objects that no plan built."""
    sets = [("markers", plan.markers[row].name) in live for row in layout.markers.set_index.tolist()]
    gear = [("gear", piece.name) in live for piece in plan.gear]
    owners = np.array([*sets, *(False for _ in plan.stands), *gear], bool)
    return np.asarray(owners[found.targets.owner])
