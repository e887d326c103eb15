"""``scatterproof audit PLAN CAMERA``: does a solved camera agree with the survey."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np

from ..camera.track import CameraTrack, camera_track
from ..plan.model import Plan, Shot
from ..plan.read import load_plan
from ..plan.write import save_text
from ..problems import one_problem
from ..prove.predict import predict
from ..prove.recorded import feature_names, read_tracks
from ..prove.shot import insert_in_view
from ..readiness.rehearse import choose_shots, rehearse
from ..sightings.need import planned_layout
from ..stage.layout import Layout
from ..survey.audit import FEATURE_SIGMA, Surveyed, audit_camera
from ..survey.audit_page import audit_csv, audit_json, audit_page, summary, verdicts
from ..survey.clouds import read_points
from ..survey.found import POINT_SIGMA
from ..survey.solved import CAMERA_AXES, SolvedCamera, read_camera
from ..survey.tables import Told
from .output import ProgressBar, output_folder, tell_warnings
from .scene import blender_layer
from .survey import add_file_options, require_apart, told_by

SCENES = (".blend", ".usd", ".usda", ".usdc", ".usdz", ".abc", ".fbx")


def register(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb and its options."""
    verb = verbs.add_parser("audit", help="hold a solved camera against the survey")
    verb.add_argument("plan", type=Path, metavar="PLAN", help="the plan file, best the as-built one")
    verb.add_argument(
        "camera", type=Path, metavar="CAMERA",
        help="CSV with frame, place, turn and focal length per frame; or .blend, USD, Alembic, FBX",
    )  # fmt: skip
    verb.add_argument("--shot", metavar="NAME", help="the shot that was solved; default: the plan's only one")
    verb.add_argument("--survey", type=Path, metavar="FILE", help="surveyed points by name, in the plan's axes")
    verb.add_argument("--tracks", type=Path, metavar="FILE", help="CSV of feature, frame, x, y, by the plan's names")
    verb.add_argument(
        "--points", type=Path, metavar="FILE", help="solved points by name, to bring the solve onto the stage"
    )
    verb.add_argument("--registered", action="store_true", help="the solve is in the stage's axes and metres already")
    verb.add_argument(
        "--no-prediction", action="store_true", help="hold every frame against the survey's own uncertainty alone"
    )
    verb.add_argument("--camera-axes", choices=CAMERA_AXES, default="", help="of a CSV's turns")
    verb.add_argument("--camera-name", default="", metavar="NAME", help="which camera of a scene file")
    add_file_options(verb)
    verb.add_argument("--out", type=Path, metavar="DIR", help="folder for the report; default: PLAN-audit")
    verb.add_argument("--json", action="store_true", help="print the outcome as JSON instead of a summary")
    verb.add_argument("--strict", action="store_true", help="exit with 1 where a frame disagrees with the survey")
    verb.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Read, register, compare; write audit.html, audit.csv and audit.json; tell what was found."""
    file = load_plan(arguments.plan)
    tell_warnings(file.warnings)
    plan, folder = file.plan, arguments.plan.parent
    shot = _shot(plan, arguments.shot)
    track, layout = camera_track(plan, shot), planned_layout(plan, folder)
    told = told_by(arguments, 0.0)
    solved = _solved(arguments, track, told)
    surveyed = surveyed_features(layout, arguments.survey, told)
    action = np.array(shot.action_point, float)
    # A solve's world has no units of its own: its scale is found.
    loose = Told(**{name: getattr(told, name) for name in ("columns", "axes", "delimiter", "decimal", "encoding")},
                 units=told.units or "m")  # fmt: skip
    audit = audit_camera(
        solved, track, surveyed, action, insert_in_view(action[None], track)[:, 0],
        recorded=read_tracks(arguments.tracks, track) if arguments.tracks else None,
        points=read_points(arguments.points, loose) if arguments.points else None,
        registered=arguments.registered,
        predicted=None if arguments.no_prediction else predicted_covariance(plan, shot, folder),
    )  # fmt: skip
    is_zoom = bool(np.ptp(track.focal_mm) > 1e-6 * track.focal_mm[0])
    data = audit_json(plan, shot, audit, is_zoom)
    out = output_folder(arguments.out, arguments.plan, "audit")
    outputs = {
        "audit.html": audit_page(plan, shot, audit, is_zoom),
        "audit.csv": audit_csv(audit),
        "audit.json": json.dumps(data, indent=1, ensure_ascii=False) + "\n",
    }
    inputs = [arguments.plan, arguments.camera, arguments.survey, arguments.tracks, arguments.points]
    require_apart([path for path in inputs if path], [out / name for name in outputs])
    for name, text in outputs.items():
        save_text(out / name, text)
    if arguments.json:
        json.dump(data, sys.stdout, ensure_ascii=False)
        print()
    else:
        print("\n".join([f"{shot.name}: {summary(audit)}", *(f"- {line}" for line in verdicts(audit, is_zoom))]))
        print(f"Report: {out / 'audit.html'}")
    return 1 if arguments.strict and audit.accused.any() else 0


def predicted_covariance(plan: Plan, shot: Shot, folder: Path) -> np.ndarray | None:
    """(F, 6, 6) how well a sound solve of the shot's tracks would know the camera; None where it can't be solved."""
    with ProgressBar() as bar:
        (found,) = rehearse(plan, [shot.name], folder, lambda step: bar.show(step.shot, step.done, step.total))
    return predict(found.network).camera_covariance


def surveyed_features(layout: Layout, survey: Path | None, told: Told) -> Surveyed:
    """Names, places and sigmas: those of the plan's features and markers, replaced by what a survey file has.

    With a survey file only what it holds counts. Raises BadInput where it has no label at all.
    """
    names = (*feature_names(layout), *layout.markers.name)
    places = np.concatenate([layout.features.position_m, layout.markers.centre_m])
    if survey is None:
        keep = {name: i for i, name in enumerate(names)}  # a disc's feature and its centre are one
        rows = list(keep.values())
        return Surveyed(tuple(keep), places[rows], np.full((len(rows), 3), FEATURE_SIGMA.value))
    points = read_points(survey, told)
    on = [i for i, label in enumerate(points.label) if label]
    if not on:
        raise one_problem("labels", "none", "points by name, as the survey verb exports them", points.file)
    sigma = np.where(np.isnan(points.sigma_m), POINT_SIGMA.value, points.sigma_m)
    return Surveyed(tuple(points.label[i] for i in on), points.position_m[on], sigma[on])


def _shot(plan: Plan, name: str | None) -> Shot:
    if name:
        return choose_shots(plan, [name])[0]
    if len(plan.shots) != 1:
        names = ", ".join(shot.name for shot in plan.shots) or "none"
        raise one_problem("--shot", f"{len(plan.shots)} shots in the plan", f"the one that was solved, of: {names}")
    return plan.shots[0]


def _solved(arguments: argparse.Namespace, track: CameraTrack, told: Told) -> SolvedCamera:
    if arguments.camera.suffix.lower() not in SCENES:
        return read_camera(arguments.camera, track, arguments.camera_axes, told)
    solved: SolvedCamera = blender_layer().read_solved_camera(arguments.camera, arguments.camera_name, track)
    return solved
