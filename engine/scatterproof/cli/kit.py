"""``scatterproof kit PLAN``: the printed sheets and lists from which a crew builds the stage."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from ..kit.build import Kit, KitOptions, build_kit, save_kit
from ..kit.paper import PAPERS
from ..plan.model import LENGTH_UNITS
from ..plan.read import load_plan
from ..plan.units import parse_length
from ..problems import BadInput, one_problem
from .output import ProgressBar, output_folder, tell_warnings


def register(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb and its options."""
    verb = verbs.add_parser("kit", help="print the sheets from which a crew builds the stage")
    verb.add_argument("plan", type=Path, metavar="PLAN", help="the plan file")
    verb.add_argument("--out", type=Path, metavar="DIR", help="folder for the kit; default: PLAN-kit")
    verb.add_argument("--paper", choices=tuple(PAPERS), default="A4", help="paper of the printer; default: A4")
    verb.add_argument("--units", choices=LENGTH_UNITS, help="the crew's unit of length; default: the plan's")
    verb.add_argument(
        "--tape",
        default="auto",
        metavar="WIDTH",
        help='tape to cut from: auto, sheet, or a width such as "50 mm", "2 in"',
    )
    verb.add_argument(
        "--round", dest="step", metavar="LENGTH", help="round the set-out to this; default: the tape's mark"
    )
    verb.add_argument("--json", action="store_true", help="print what was made as JSON")
    verb.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Build the kit, write kit.pdf, the sheets as SVG and the lists as CSV, and tell what was found."""
    file = load_plan(arguments.plan)
    tell_warnings(file.warnings)
    unit = arguments.units or file.plan.units
    options = KitOptions(
        paper=arguments.paper, units=unit, tape=_tape(arguments.tape), step_m=_step(arguments.step, unit)
    )
    with ProgressBar() as bar:
        kit = build_kit(file.plan, arguments.plan.parent, options, lambda p: bar.show(p.shot, p.done, p.total))
    out = output_folder(arguments.out, arguments.plan, "kit")
    save_kit(kit, file.plan.name, out)
    _tell(kit, out, arguments.json)
    return 0


def _tell(kit: Kit, out: Path, as_json: bool) -> None:
    waste = {group.paint: round(group.waste, 4) for group in kit.groups}
    if as_json:
        data = {
            "schema": 1, "folder": str(out), "sheets": len(kit.pages), "lists": sorted(kit.lists),
            "markers": sum(len(group.rows) for group in kit.groups), "waste": waste, "warnings": list(kit.warnings),
        }  # fmt: skip
        json.dump(data, sys.stdout, ensure_ascii=False)
        print()
        return
    print(f"{len(kit.pages)} sheets in {out / 'kit.pdf'}, one by one in {out / 'sheets'}")
    print("Lists: " + ", ".join(sorted(kit.lists)))
    print(
        "Waste in cutting: " + (", ".join(f"{paint} {share:.0%}" for paint, share in waste.items()) or "nothing to cut")
    )
    for warning in kit.warnings:
        print(f"note: {warning}")


def _tape(text: str) -> str | float:
    if text in ("auto", "sheet"):
        return text
    try:
        return parse_length(text, "mm") * 1000
    except BadInput:
        raise one_problem("--tape", repr(text), 'auto, sheet, or a width such as "50 mm" or "2 in"') from None


def _step(text: str | None, unit: str) -> float | None:
    if text is None:
        return None
    step = parse_length(text, unit)
    if not 0.0005 <= step <= 0.1:
        raise one_problem("--round", repr(text), "a length from 0.5 mm to 100 mm")
    return step
