"""``scatterproof paint PLAN``: every candidate for marker paint, measured and ranked by the plan's weights."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..paint.choice import MEASURES, PaintStudy, scene_of, shot_edges, study_paint
from ..plan.read import load_plan
from ..readiness.rehearse import rehearse
from ..report.paint import paint_json, paint_page
from ..sightings.need import planned_layout
from .output import ProgressBar, give_study, output_folder, tell_warnings


def register(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb and its options."""
    verb = verbs.add_parser("paint", help="rank candidates for marker paint by what they give and cost")
    verb.add_argument("plan", type=Path, metavar="PLAN", help="the plan file")
    verb.add_argument("--out", type=Path, metavar="DIR", help="folder for the page; default: PLAN-paint")
    verb.add_argument("--json", action="store_true", help="print the study as JSON instead of a summary")
    verb.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Rehearse the shots for their softness and silhouettes, study the paints, write paint.html and paint.json."""
    file = load_plan(arguments.plan)
    tell_warnings(file.warnings)
    plan, folder = file.plan, arguments.plan.parent
    with ProgressBar() as bar:
        edges = [
            shot_edges(rehearsal.layout, rehearsal.sightings)
            for rehearsal in rehearse(plan, (), folder, lambda p: bar.show(p.shot, p.done, p.total))
        ]
    study = study_paint(plan, scene_of(plan, planned_layout(plan, folder), edges))
    told = None if arguments.json else summary(study)
    out = output_folder(arguments.out, arguments.plan, "paint")
    give_study(out, "paint", paint_json(plan, study), paint_page(plan, study), told)
    return 0


def summary(study: PaintStudy) -> str:
    """One line per candidate, the first by the plan's weights first."""
    width = max(len(candidate.name) for candidate in study.candidates)
    head = f"{'':<{width}}  score  " + "  ".join(f"{measure:>8}" for measure in MEASURES)
    return "\n".join([head] + [
        f"{c.name:<{width}}  {c.score:5.2f}  " + "  ".join(f"{merit:8.2f}" for merit in c.merits)
        for c in study.candidates
    ])  # fmt: skip
