"""``scatterproof rehearse PLAN``: score every frame of a plan's or a scene's shots and write the report."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from ..paint.choice import scene_of, shot_edges, study_paint
from ..plan.model import Plan
from ..plan.read import load_plan
from ..plan.write import save_text
from ..readiness.rehearse import Progress, Rehearsal, rehearse
from ..readiness.verdict import FIRM, LOST, STATES, THIN, ShotReadiness
from ..report.data import readiness_csv, readiness_json
from ..report.page import page, shot_section
from ..report.paint import paint_section
from ..report.words import headline
from .output import ProgressBar, output_folder, tell_warnings
from .scene import blender_layer


def register(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb and its options."""
    verb = verbs.add_parser("rehearse", help="score every frame of a plan's shots and write a report")
    verb.add_argument("plan", type=Path, metavar="PLAN", help="the plan file, or a .blend")
    verb.add_argument("--shot", action="append", default=[], metavar="NAME", help="only this shot (may be repeated)")
    verb.add_argument("--out", type=Path, metavar="DIR", help="folder for the report; default: PLAN-rehearsal")
    verb.add_argument("--json", action="store_true", help="print readiness as JSON instead of a summary")
    verb.add_argument("--strict", action="store_true", help="exit with 1 unless every frame is firm")
    verb.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Rehearse, write readiness.json, readiness.csv and report.html, and tell what was found."""
    scored, sections, edges, paint = [], [], [], ""
    with ProgressBar() as bar:
        plan, rehearsals, notes = rehearsed(arguments.plan, arguments.shot, lambda p: bar.show(p.shot, p.done, p.total))
        tell_warnings(notes)
        for rehearsal in rehearsals:
            scored.append(rehearsal.readiness)
            sections.append(shot_section(rehearsal))  # drawn now, so that the shot's arrays can go
            edges.append(shot_edges(rehearsal.layout, rehearsal.sightings))
            layout = rehearsal.layout
    if edges:
        paint = paint_section(study_paint(plan, scene_of(plan, layout, edges)))
    data = readiness_json(plan, scored)
    out = output_folder(arguments.out, arguments.plan, "rehearsal")
    save_text(out / "readiness.json", json.dumps(data, indent=1, ensure_ascii=False) + "\n")
    save_text(out / "readiness.csv", readiness_csv(scored))
    save_text(out / "report.html", page(plan, scored, sections, paint))
    if arguments.json:
        json.dump(data, sys.stdout, ensure_ascii=False)
        print()
    else:
        print(summary(scored))
        print(f"Report: {out / 'report.html'}")
    return 1 if arguments.strict and any(shot.share(FIRM) < 1 for shot in scored) else 0


def rehearsed(
    path: Path, shots: Sequence[str], tell: Callable[[Progress], None]
) -> tuple[Plan, Iterator[Rehearsal], Sequence[object]]:
    """A plan file or a scene: its plan, its shots as they are scored, and what to note about the file."""
    if path.suffix.lower() == ".blend":
        seen = blender_layer().rehearse_file(path, shots, tell)
        return seen.plan, seen.rehearsals, seen.notes
    file = load_plan(path)
    return file.plan, rehearse(file.plan, shots, path.parent, tell), file.warnings


def summary(shots: list[ShotReadiness]) -> str:
    """One line per shot: shares of the states and what holds it back."""
    width = max((len(shot.name) for shot in shots), default=0)
    return "\n".join(
        f"{shot.name:<{width}}  " + "  ".join(f"{STATES[s]} {shot.share(s):4.0%}" for s in (FIRM, THIN, LOST)) +
        f"  {'rotation only; ' if shot.rotation_only else ''}{headline(shot).why}" for shot in shots
    )  # fmt: skip
