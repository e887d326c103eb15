"""``scatterproof prove PLAN``: how far inserts slide, predicted and simulated; or recorded tracks, solved."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

from ..plan.units import parse_length
from ..plan.write import save_text
from ..problems import BadInput, one_problem
from ..prove.parallel import run_takes
from ..prove.predict import predict
from ..prove.proof import Proof
from ..prove.recorded import RecordedSolve, poses_csv, read_tracks, solve_tracks
from ..prove.standing import standing
from ..readiness.rehearse import Rehearsal
from ..readiness.verdict import FIRM
from ..report.proof import (
    proof_json,
    proof_page,
    proof_section,
    proof_state,
    said,
    shot_json,
    tracks_json,
    tracks_lines,
    tracks_section,
    trust,
)
from .output import ProgressBar, output_folder, tell_warnings, whole_number
from .rehearse import rehearsed

TAKES = 20  # enough to see failures, and the slide to a sixth


def register(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb and its options."""
    verb = verbs.add_parser(
        "prove", help="predict how far an insert slides, and try it on simulated or recorded tracks"
    )
    verb.add_argument("plan", type=Path, metavar="PLAN", help="the plan file, or a .blend")
    verb.add_argument("--shot", action="append", default=[], metavar="NAME", help="only this shot (may be repeated)")
    verb.add_argument(
        "--takes", type=whole_number, default=TAKES, metavar="N", help=f"simulated takes; default: {TAKES}"
    )
    verb.add_argument("--seed", type=whole_number, default=1, metavar="S", help="seed of the first take; default: 1")
    verb.add_argument("--jobs", type=whole_number, default=0, metavar="N", help="processes; default: one for each core")
    verb.add_argument("--cluster", default="", metavar="ADDRESS", help="a dask.distributed scheduler to run takes on")
    verb.add_argument(
        "--tracks", type=Path, metavar="FILE.csv", help="solve these tracks (feature, frame, x, y, sigma)"
    )
    verb.add_argument(
        "--survey", default="", metavar="LENGTH",
        help="hold tracks named as the plan's features to their places with this standard deviation, e.g. '5 mm'",
    )  # fmt: skip
    verb.add_argument("--out", type=Path, metavar="DIR", help="folder for the results; default: PLAN-proof")
    verb.add_argument("--json", action="store_true", help="print the results as JSON instead of a summary")
    verb.add_argument(
        "--strict", action="store_true", help="exit with 1 unless every frame is firm and every take solves"
    )
    verb.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Prove, write prove.json and prove.html, and tell what was found."""
    return _run_tracks(arguments) if arguments.tracks else _run_takes(arguments)


def _run_takes(arguments: argparse.Namespace) -> int:
    if arguments.survey:
        raise one_problem("--survey", arguments.survey, "--tracks as well: it is their survey")
    shots, sections, lines, ready = [], [], [], True
    seeds = range(arguments.seed, arguments.seed + arguments.takes)
    with ProgressBar() as bar:
        plan, rehearsals, notes = rehearsed(arguments.plan, arguments.shot, lambda p: bar.show(p.shot, p.done, p.total))
        tell_warnings(notes)
        for rehearsal in rehearsals:
            proof = _prove(rehearsal, seeds, arguments, bar)
            criteria = rehearsal.criteria
            shots.append(shot_json(proof, criteria))
            sections.append(proof_section(rehearsal, proof))
            _, first, second = said(proof, criteria)
            lines += [proof.name, *(f"  {line}" for line in (first, second, *trust(proof)))]
            solved = proof.takes is None or proof.takes.solved == len(seeds)
            ready &= solved and bool((proof_state(proof, criteria) == FIRM).all())
    data = proof_json(plan, shots)
    _write(arguments, data, proof_page(plan, sections), lines, {})
    return 1 if arguments.strict and not ready else 0


def _prove(rehearsal: Rehearsal, seeds: range, arguments: argparse.Namespace, bar: ProgressBar) -> Proof:
    network = rehearsal.network
    takes = None
    if seeds and network.seen.any():
        takes = run_takes(
            network, seeds, jobs=arguments.jobs or None, cluster=arguments.cluster,
            tell=lambda done, total: bar.show(network.name, done, total, "take"),
        )  # fmt: skip
    return Proof(network.name, predict(network), standing(network, rehearsal.track), takes)


def _run_tracks(arguments: argparse.Namespace) -> int:
    sigma_m = _length(arguments.survey) if arguments.survey else None
    with ProgressBar() as bar:
        plan, rehearsals, notes = rehearsed(arguments.plan, arguments.shot, lambda p: bar.show(p.shot, p.done, p.total))
        if (len(arguments.shot) or len(plan.shots)) != 1:
            raise one_problem("--tracks", f"{len(arguments.shot) or len(plan.shots)} shots", "one shot: --shot NAME")
        tell_warnings(notes)
        rehearsal = next(iter(rehearsals))
    track = rehearsal.track
    recorded = read_tracks(arguments.tracks, track)
    solve = solve_tracks(
        recorded, rehearsal.layout, track, np.array(rehearsal.shot.action_point, float), rehearsal.network.unknowns,
        sigma_m, seed=arguments.seed,
    )  # fmt: skip
    data = proof_json(plan, [tracks_json(solve, rehearsal, recorded.file)])
    page = proof_page(plan, [tracks_section(rehearsal, solve, recorded.file)])
    poses = {"poses.csv": poses_csv(solve, track)} if isinstance(solve, RecordedSolve) else {}
    _write(arguments, data, page, [rehearsal.shot.name, *(f"  {x}" for x in tracks_lines(rehearsal, solve))], poses)
    return 1 if arguments.strict and not isinstance(solve, RecordedSolve) else 0


def _length(text: str) -> float:
    try:
        length = parse_length(text)
    except BadInput as error:
        raise one_problem("--survey", repr(text), error.problems[0].expected) from error
    if not 1e-6 <= length <= 10:
        raise one_problem("--survey", repr(text), "a standard deviation from a micrometre to ten metres")
    return length


def _write(
    arguments: argparse.Namespace, data: dict[str, Any], page: str, lines: list[str], more: dict[str, str]
) -> None:
    out = output_folder(arguments.out, arguments.plan, "proof")
    for name, text in {
        "prove.json": json.dumps(data, indent=1, ensure_ascii=False) + "\n",
        "prove.html": page,
        **more,
    }.items():
        save_text(out / name, text)
    if arguments.json:
        json.dump(data, sys.stdout, ensure_ascii=False)
        print()
        return
    print("\n".join(lines))
    print(f"Report: {out / 'prove.html'}")
