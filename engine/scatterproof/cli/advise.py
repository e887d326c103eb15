"""``scatterproof advise PLAN``: what to add, what must stay, what may go, and how far a take may stray."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Generator
from pathlib import Path
from typing import TypeVar

from ..advise.advise import Advice, Step, advising
from ..advise.critical import Critical, critical_in
from ..advise.fewer import Fewer, sparing
from ..advise.heat import HeatMap, heat_of
from ..advise.tolerance import TAKES, Tolerance, tolerance_of
from ..plan.read import PlanFile, load_plan
from ..plan.write import save_text, updated
from ..problems import one_problem
from ..readiness.rehearse import Rehearsal, rehearse
from ..readiness.verdict import FIRM
from ..report.advice import Told, advice_json, advice_lines, advice_page
from .output import ProgressBar, output_folder, tell_warnings

Result = TypeVar("Result")


def register(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb and its options."""
    verb = verbs.add_parser(
        "advise", help="find the smallest change that makes shots firm, and what must stay or may go"
    )
    verb.add_argument("plan", type=Path, metavar="PLAN", help="the plan file")
    verb.add_argument("--shot", action="append", default=[], metavar="NAME", help="only this shot (may be repeated)")
    verb.add_argument("--budget", type=_whole, metavar="N", help="stands and markers that may be added; default: 6")
    verb.add_argument("--takes", type=_whole, default=TAKES, metavar="N", help=f"takes that stray; default: {TAKES}")
    verb.add_argument(
        "--apply", nargs="?", type=Path, const=Path(), metavar="FILE",
        help="write the advised plan, comments kept; default: PLAN-advised.toml beside it",
    )  # fmt: skip
    verb.add_argument("--overwrite", action="store_true", help="let --apply write over a file that is there")
    verb.add_argument("--fewer", action="store_true", help="look for markers that may go, too (takes longer)")
    verb.add_argument("--out", type=Path, metavar="DIR", help="folder for the report; default: PLAN-advice")
    verb.add_argument("--json", action="store_true", help="print the advice as JSON instead of a summary")
    verb.add_argument(
        "--strict", action="store_true", help="exit with 1 unless every frame of the advised plan is firm"
    )
    verb.set_defaults(run=run)


def _whole(text: str) -> int:
    if not text.isdecimal() or len(text) > 6:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number from 0 to 999999")
    return int(text)


def run(arguments: argparse.Namespace) -> int:
    """Advise, write advice.json and advice.html, and tell what was found."""
    file = load_plan(arguments.plan)
    tell_warnings(file.warnings)
    goal = _goal(arguments)
    folder = arguments.plan.parent
    with ProgressBar() as bar:
        advice = _shown(bar, advising(file.plan, arguments.shot, arguments.budget, folder))
        told = _told(bar, advice, file, arguments, folder)
    data = advice_json(told)
    out = output_folder(arguments.out, arguments.plan, "advice")
    save_text(out / "advice.json", json.dumps(data, indent=1, ensure_ascii=False) + "\n")
    save_text(out / "advice.html", advice_page(told))
    written = _applied(file, advice, goal)
    if arguments.json:
        json.dump(data, sys.stdout, ensure_ascii=False)
        print()
    else:
        print("\n".join(advice_lines(told)))
        print(f"Report: {out / 'advice.html'}")
        if goal is not None:
            print(f"Advised plan: {written}" if written else "Nothing to apply: the plan stays as it is.")
    return 1 if arguments.strict and not advice.firm else 0


def _shown(bar: ProgressBar, steps: Generator[Step, None, Result]) -> Result:
    while True:
        try:
            step = next(steps)
        except StopIteration as end:
            return end.value  # type: ignore[no-any-return]
        bar.show(step.what, step.done, step.total, "step")


def _told(bar: ProgressBar, advice: Advice, file: PlanFile, arguments: argparse.Namespace, folder: Path) -> Told:
    """Everything beside the changes, for the plan as it is (the map) and as advised (the rest)."""
    names = [shot.name for shot in advice.shots]
    rehearsals, heat = list[Rehearsal](), list[HeatMap | None]()
    critical, tolerance = list[tuple[Critical, ...]](), list[Tolerance | None]()
    fewer: Fewer | None = None
    for r in rehearse(file.plan, names, folder):
        bar.show(f"{r.shot.name}: map", len(heat), len(names), "shot")
        short = (r.readiness.state != FIRM).any() and not r.readiness.rotation_only
        heat.append(heat_of(r, folder) if short else None)
        rehearsals.append(r)
    for r in rehearse(advice.plan, names, folder):
        critical.append(_shown(bar, critical_in(r)))
        tolerance.append(_shown(bar, tolerance_of(r, arguments.takes, folder)) if arguments.takes else None)
    if arguments.fewer:
        fewer = _shown(bar, sparing(advice.plan, (), folder))
    return Told(advice, tuple(rehearsals), tuple(heat), tuple(critical), tuple(tolerance), fewer)


def _goal(arguments: argparse.Namespace) -> Path | None:
    """Where the advised plan goes; said before the work begins if it can't."""
    if arguments.apply is None:
        return None
    plan: Path = arguments.plan
    goal = arguments.apply if arguments.apply != Path() else plan.with_name(f"{plan.stem}-advised.toml")
    if goal.exists() and not arguments.overwrite:
        raise one_problem("--apply", str(goal), "a file that is not there yet, or --overwrite")
    return Path(goal)


def _applied(file: PlanFile, advice: Advice, goal: Path | None) -> Path | None:
    if goal is None or advice.plan == file.plan:
        return None
    save_text(goal, updated(file, advice.plan))
    return goal
