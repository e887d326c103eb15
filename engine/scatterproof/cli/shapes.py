"""``scatterproof shapes PLAN``: which marker shape keeps corners in the plan's shots, and which has doubles."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..plan.read import load_plan
from ..readiness.shapes import ShapeStudy, study_shapes
from ..report.shapes import shapes_json, shapes_page
from ..report.shapes import summary as in_words
from .output import ProgressBar, give_study, output_folder, tell_warnings


def register(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb and its options."""
    verb = verbs.add_parser("shapes", help="compare marker shapes: corners that are tracked, corners with a double")
    verb.add_argument("plan", type=Path, metavar="PLAN", help="the plan file")
    verb.add_argument("--shot", action="append", default=[], metavar="NAME", help="only this shot; may be repeated")
    verb.add_argument("--out", type=Path, metavar="DIR", help="folder for the page; default: PLAN-shapes")
    verb.add_argument("--json", action="store_true", help="print the study as JSON instead of a summary")
    verb.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Study the shapes in the plan's shots, write shapes.html and shapes.json."""
    file = load_plan(arguments.plan)
    tell_warnings(file.warnings)
    plan, folder = file.plan, arguments.plan.parent
    with ProgressBar() as bar:
        study = study_shapes(plan, arguments.shot, folder, lambda what, n, of: bar.show(what, n, of, "candidate"))
    told = None if arguments.json else summary(study)
    out = output_folder(arguments.out, arguments.plan, "shapes")
    give_study(out, "shapes", shapes_json(plan, study), shapes_page(plan, study), told)
    return 0


def summary(study: ShapeStudy) -> str:
    """One line per candidate, most corners without a double first."""
    head = f"{'shape':<12} {'arrangement':<30}  corners  fewest  doubled  after a gap  jumps"
    rows = [
        f"{row.shape or '-':<12} {row.arrangement:<30} {row.corners:8.1f} {row.fewest:7d} {row.doubled:8.1f} "
        f"{row.doubled_again:12.1f} {row.jumps:6.1f}"
        for row in study.rows
    ]
    return "\n".join([head, *rows, in_words(study)])
