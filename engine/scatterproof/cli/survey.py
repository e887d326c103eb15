"""``scatterproof survey PLAN FILE...``: what was built, from survey files and notes; readiness with real positions."""

from __future__ import annotations

import argparse
import csv
import dataclasses
import io
import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from ..plan.model import Plan
from ..plan.read import load_plan
from ..plan.units import parse_length
from ..plan.write import save_text, updated
from ..problems import BadInput, Problem, one_problem
from ..readiness.rehearse import rehearse
from ..readiness.verdict import FIRM, STATES
from ..report.data import inert, readiness_json
from ..sightings.need import planned_layout
from ..survey.adjust import describe
from ..survey.asbuilt import as_built
from ..survey.clouds import read_points
from ..survey.combine import FLATNESS
from ..survey.export import FORMATS, found_points
from ..survey.files import read_all_notes, with_takes
from ..survey.found import STATES as FOUND_STATES
from ..survey.found import Found, find
from ..survey.page import Outcome, summary, survey_page
from ..survey.tables import ANGLE_UNITS, DECIMALS, DELIMITERS, METRES, Told
from ..survey.targets import targets_of
from ..survey.words import to_do
from .output import ProgressBar, output_folder, tell_warnings


def register(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb and its options."""
    verb = verbs.add_parser("survey", help="take in a survey: the plan as built, what moved, readiness again")
    verb.add_argument("plan", type=Path, metavar="PLAN", help="the plan file")
    verb.add_argument("files", type=Path, nargs="*", metavar="FILE", help="surveyed points: CSV, PLY or OBJ")
    verb.add_argument(
        "--notes", type=Path, nargs="+", action="extend", default=[], metavar="FILE",
        help="field notes (from, to, distance, angles) or a filled camera report, CSV",
    )  # fmt: skip
    add_file_options(verb)
    verb.add_argument("--match", choices=("labels", "pattern"), default="", help="trust labels, or the pattern alone")
    verb.add_argument("--as-given", action="store_true", help="coordinates are the plan's own already")
    verb.add_argument("--fix", action="append", default=[], metavar="NAME", help="stands exactly as planned (repeat)")
    verb.add_argument(
        "--flat", default="", metavar="LENGTH", help="how flat surfaces are, in networks of notes; none: not used"
    )
    verb.add_argument("--unsurveyed", choices=("keep", "drop"), default="keep", help="planned markers without a survey")
    verb.add_argument("--corners", action="store_true", help="export the markers' corners too")
    verb.add_argument("--export-units", choices=tuple(METRES), default="m", help="of the exported points; default: m")
    verb.add_argument("--no-rehearsal", action="store_true", help="leave readiness out")
    verb.add_argument("--out", type=Path, metavar="DIR", help="folder for the report; default: PLAN-survey")
    verb.add_argument("--force", action="store_true", help="overwrite an as-built plan that is there")
    verb.add_argument("--json", action="store_true", help="print the outcome as JSON instead of a summary")
    verb.add_argument("--strict", action="store_true", help="exit with 1 unless every frame as built is firm")
    verb.set_defaults(run=run)


def add_file_options(verb: argparse.ArgumentParser) -> None:
    """What settles how survey files are written."""
    verb.add_argument("--units", choices=tuple(METRES), default="", help="of lengths without a unit in the files")
    verb.add_argument("--columns", default="", metavar="LETTERS", help="of files without a header, such as PNEZD")
    verb.add_argument("--axes", default="", metavar="XYZ", help="the files' axes along the stage's, such as \"y -x z\"")
    verb.add_argument("--angles", choices=ANGLE_UNITS, default="", help="unit of angles in notes")
    verb.add_argument("--delimiter", choices=tuple(DELIMITERS), default="", help="between cells")
    verb.add_argument("--decimal", choices=tuple(DECIMALS), default="", help="decimal sign")
    verb.add_argument("--encoding", default="", metavar="NAME", help="of text files that are not UTF-8")


def told_by(arguments: argparse.Namespace, across_m: float) -> Told:
    """The file options as given."""
    names = ("units", "columns", "axes", "angles", "delimiter", "decimal", "encoding")
    return Told(across_m=across_m, **{name: getattr(arguments, name) for name in names})


def run(arguments: argparse.Namespace) -> int:
    """Read, adjust, compare; write the as-built plan, the report and the points; tell what was found."""
    file = load_plan(arguments.plan)
    tell_warnings(file.warnings)
    plan, folder = file.plan, arguments.plan.parent
    built_path = arguments.plan.with_name(f"{arguments.plan.stem}-as-built.toml")
    if built_path.exists() and not arguments.force:
        raise one_problem("as-built plan", f"{built_path} exists", "--force to overwrite it, or another name for it")
    layout = planned_layout(plan, folder)
    targets = targets_of(plan, layout)
    told = told_by(arguments, targets.across_m)
    notes, takes = read_all_notes(arguments.notes, told, plan)
    points = [read_points(path, told) for path in arguments.files]
    found = find(
        targets, layout.surfaces, points, notes, as_given=arguments.as_given, by=arguments.match, fixed=arguments.fix,
        flatness_m=_flatness(arguments.flat),
    )  # fmt: skip
    built, said = with_takes(as_built(plan, layout, found, drop=arguments.unsurveyed == "drop"), takes)
    built = replace(built, name=f"{plan.name}, as built")
    built_layout = planned_layout(built, folder)
    outcomes = [] if arguments.no_rehearsal else _rehearsed(plan, built, folder)
    out = output_folder(arguments.out, arguments.plan, "survey")
    exported = found_points(found, built_layout if arguments.corners else None)
    outputs = {f"points.{kind}": exported.text(kind, arguments.export_units) for kind in FORMATS}
    outputs["offsets.csv"] = offsets_csv(found)
    outputs["report.html"] = survey_page(plan, layout, found, outcomes, said)
    data = outcome_json(plan, found, to_do(plan, layout, found), outcomes)
    outputs["survey.json"] = json.dumps(data, indent=1, ensure_ascii=False) + "\n"
    require_apart([arguments.plan, *arguments.files, *arguments.notes], [out / name for name in outputs])
    save_text(built_path, updated(file, built))
    for name, text in outputs.items():
        save_text(out / name, text)
    if arguments.json:
        json.dump(data, sys.stdout, ensure_ascii=False)
        print()
    else:
        print(_told(found, to_do(plan, layout, found), outcomes, said))
        print(f"As-built plan: {built_path}\nReport: {out / 'report.html'}")
    return 1 if arguments.strict and any(o.built.share(FIRM) < 1 for o in outcomes) else 0


def _rehearsed(plan: Plan, built: Plan, folder: Path) -> list[Outcome]:
    with ProgressBar() as bar:
        both = [
            [r.readiness for r in rehearse(p, (), folder, lambda step: bar.show(step.shot, step.done, step.total))]
            for p in (plan, built)
        ]
    return [Outcome(planned, after) for planned, after in zip(*both, strict=True)]


def _flatness(text: str) -> float | None:
    if text == "none":
        return None
    value = parse_length(text, "m") if text else FLATNESS.value
    if not 0 < value < 1:
        raise one_problem("--flat", text, "a length such as 5 mm, or none")
    return value


def require_apart(inputs: Sequence[Path], outputs: Sequence[Path]) -> None:
    """Raise BadInput where a result would be written over what it was made from."""
    read = {path.resolve() for path in inputs}
    clash = [Problem("--out", f"{path}, which is read", "another folder") for path in outputs if path.resolve() in read]
    if clash:
        raise BadInput(clash)


def offsets_csv(found: Found) -> str:
    """Every planned point with what was found, lengths in metres."""
    out = io.StringIO()
    table = csv.writer(out)
    axes = ("x", "y", "z")
    table.writerow(
        ["number", "name", "state", "instead_of", *(f"planned_{a}_m" for a in axes), *(f"found_{a}_m" for a in axes),
         *(f"offset_{a}_m" for a in axes), *(f"sigma_{a}_m" for a in axes)]
    )  # fmt: skip
    sigma = np.sqrt(np.diagonal(found.covariance_m2, axis1=1, axis2=2))
    targets = found.targets
    for i in range(len(targets)):
        other = inert(targets.name[found.instead[i]]) if found.instead[i] >= 0 else ""
        numbers = np.concatenate([targets.position_m[i], found.position_m[i], found.offset_m[i], sigma[i]])
        cells = ["" if np.isnan(v) else f"{v:.5f}" for v in numbers]
        table.writerow([targets.number[i], inert(targets.name[i]), FOUND_STATES[found.state[i]], other, *cells])
    return out.getvalue()


def outcome_json(plan: Plan, found: Found, todo: Sequence[str], outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """The outcome for machines."""
    a = found.combined.adjusted if found.combined else None
    network = a and {
        "measurements": int(a.used.sum()),
        "redundancy": a.dof,
        "s0": None if np.isnan(a.s0) else round(a.s0, 4),
        "global_test": a.sound,
        "removed": describe(found.removed),
        "loose": [dataclasses.asdict(p) for p in found.loose],
        "enough": list(found.combined.enough) if found.combined else [],
    }
    return {
        "schema": 1,
        "plan": plan.name,
        "summary": summary(found),
        "to_do": list(todo),
        "counts": {name: int((found.state == state).sum()) for state, name in enumerate(FOUND_STATES)},
        "extra": [
            {"label": label, "position_m": np.round(at, 5).tolist()}
            for label, at in zip(found.extra_label, found.extra_m, strict=True)
        ],
        "network": network,
        "readiness": {
            "planned": readiness_json(plan, [o.planned for o in outcomes])["shots"],
            "as_built": readiness_json(plan, [o.built for o in outcomes])["shots"],
        },
    }


def _told(found: Found, todo: Sequence[str], outcomes: Sequence[Outcome], said: Sequence[str]) -> str:
    lines = [summary(found), *(f"  {placed.file}: {placed.note}" for placed in found.placed), *(f"- {t}" for t in todo)]
    lines += [f"  {line}" for line in said]
    for o in outcomes:
        shares = [
            "  ".join(f"{STATES[s]} {shot.share(s):4.0%}" for s in range(len(STATES))) for shot in (o.planned, o.built)
        ]
        lines.append(f"{o.built.name}: planned {shares[0]}, as built {shares[1]}")
    return "\n".join(lines)
