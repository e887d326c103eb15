"""``scatterproof check PLAN``: say everything that is wrong with a plan, or sum up what it holds."""

from __future__ import annotations

import argparse
import dataclasses
import json
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ..camera.track import camera_track
from ..plan.model import Plan, Shot
from ..plan.read import PlanFile, load_plan
from ..plan.units import format_length, number_text
from ..problems import BadInput, Problem
from ..sightings.blockers import build_occluders
from ..sightings.need import planned_layout
from ..stage.layout import Layout
from .output import tell_warnings


def register(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb and its options."""
    verb = verbs.add_parser("check", help="validate a plan and sum up what it holds")
    verb.add_argument("plan", type=Path, metavar="PLAN", help="the plan file")
    verb.add_argument("--json", action="store_true", help="print JSON, problems included")
    verb.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Read the plan, build what a rehearsal builds, tell what was found."""
    try:
        file = load_plan(arguments.plan)
        layout = build_all(file, arguments.plan.parent)
    except BadInput as error:
        if not arguments.json:
            raise
        print(as_json(str(arguments.plan), error.problems, (), {}))
        return 2
    held = contents(file.plan, layout)
    if arguments.json:
        print(as_json(file.name, (), file.warnings, held))
        return 0
    tell_warnings(file.warnings)
    print(f"{file.plan.name} ({file.name})")
    width = max(map(len, held))
    for what, lines in held.items():
        if lines:
            print(f"  {what:<{width}} {len(lines):3}  " + f"\n{'':<{width + 8}}".join(lines))
    print("No problems.")
    return 0


def build_all(file: PlanFile, folder: Path) -> Layout:
    """The plan's layout, after building every camera and blocker too. Raises BadInput with what none of them allows."""
    problems: list[Problem] = []
    layout: list[Layout] = []

    def attempt(build: Callable[[], Any]) -> None:
        try:
            build()
        except BadInput as error:
            named = (dataclasses.replace(problem, file=problem.file or file.name) for problem in error.problems)
            problems.extend(problem for problem in named if problem not in problems)

    attempt(lambda: layout.append(planned_layout(file.plan, folder)))
    for shot in file.plan.shots:
        attempt(lambda shot=shot: camera_track(file.plan, shot))  # type: ignore[misc]
        attempt(lambda shot=shot: build_occluders(file.plan, shot, np.array(shot.frames), folder))  # type: ignore[misc]
    if problems:
        raise BadInput(problems)
    return layout[0]


def contents(plan: Plan, layout: Layout) -> dict[str, list[str]]:
    """One line for every surface, marker set, stand, piece of gear, blocker, camera and shot."""

    def size(*lengths: float) -> str:
        return " x ".join(format_length(length, plan.units) for length in lengths)

    per_set = Counter(layout.markers.set_index.tolist())
    return {
        "surfaces": [f"{surface.name} ({surface.kind})" for surface in layout.surfaces],
        "marker sets": [
            f"{markers.name}: {per_set[row]} markers ({markers.shape}, {markers.layout})"
            for row, markers in enumerate(plan.markers)
        ],
        "stands": [f"{stand.name}: {size(stand.height)}, {len(stand.bands)} bands" for stand in plan.stands],
        "gear": [f"{gear.name}: {size(*gear.size)}" for gear in plan.gear],
        "blockers": [f"{blocker.name} ({blocker.kind})" for blocker in plan.blockers],
        "cameras": [
            f"{camera.name}: {' x '.join(map(number_text, camera.film_back))} mm, {number_text(camera.focal_length)} mm"
            for camera in plan.cameras
        ],
        "shots": list(_shot_lines(plan.shots)),
    }


def _shot_lines(shots: Sequence[Shot]) -> Iterator[str]:
    for shot in shots:
        first, last = shot.frames
        how = shot.move.kind if shot.move else f"{len(shot.keys)} keys" if shot.keys else "evaluated"
        seconds = (last - first + 1) / shot.rate
        yield f"{shot.name}: {how}, frames {first} to {last}, {seconds:.1f} s, camera {shot.camera}"


def as_json(file: str, problems: Sequence[Problem], warnings: Sequence[Problem], held: dict[str, list[str]]) -> str:
    """The outcome for machines."""
    data = {
        "schema": 1,
        "file": file,
        "valid": not problems,
        "problems": [dataclasses.asdict(problem) for problem in problems],
        "warnings": [dataclasses.asdict(warning) for warning in warnings],
        "contents": held,
    }
    return json.dumps(data, indent=1, ensure_ascii=False)
