"""A solved camera held against the survey: agreement is not accused, faults are named with their frames and size."""

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scatterproof.camera.axes import flip_camera_axes, pan_tilt_roll, pose, quaternion_from_matrix
from scatterproof.camera.lens import project
from scatterproof.camera.track import camera_track
from scatterproof.cli.main import main
from scatterproof.plan.read import load_plan
from scatterproof.plan.templates import template_folder
from scatterproof.problems import BadInput
from scatterproof.prove.recorded import feature_names, read_tracks
from scatterproof.prove.shot import insert_in_view
from scatterproof.sightings.need import planned_layout
from scatterproof.survey.audit import Surveyed, audit_camera, focal_findings
from scatterproof.survey.audit_page import audit_csv, audit_page, summary, verdicts
from scatterproof.survey.points import SurveyPoints
from scatterproof.survey.solved import SolvedCamera, read_camera
from scipy.spatial.transform import Rotation
from survey_stage import random_turn

PATH = template_folder() / "plans" / "clockwork-attic.toml"
NOISE_PX, SURVEY_M = 0.2, 0.002
SCALE, SHIFT = 7.3, np.array([3.0, -4, 5])
TURN = random_turn(np.random.default_rng(5))


class Stage:
    """One shot of an example plan, the stage as built, its survey, and tracks of some fifty features."""

    def __init__(self, folder: Path):
        rng = np.random.default_rng(1)
        self.plan = load_plan(PATH).plan
        self.shot = next(shot for shot in self.plan.shots if shot.name == "CA020")
        self.track = camera_track(self.plan, self.shot)
        layout = planned_layout(self.plan, PATH.parent)
        names, at = feature_names(layout), layout.features.position_m
        self.true = at + 0.01 * rng.normal(size=at.shape)
        self.surveyed = Surveyed(names, self.true + SURVEY_M * rng.normal(size=at.shape), np.full(at.shape, SURVEY_M))
        uv, depth = project(self.true, self.track)
        inside = (depth > 0) & (uv > 5).all(axis=2) & (uv < self.track.size_px - 5).all(axis=2)
        often = np.flatnonzero(inside.sum(axis=0) > 40)
        lines = ["feature,frame,x,y,sigma"]
        for i in often[:: max(1, len(often) // 50)]:
            for k in np.flatnonzero(inside[:, i]):
                x, y = uv[k, i] + NOISE_PX * rng.normal(size=2)
                lines.append(f"{names[i]},{self.track.frame[k]},{x:.3f},{y:.3f},{NOISE_PX}")
        self.tracks = folder / "tracks.csv"
        self.tracks.write_text("\n".join(lines) + "\n")
        self.recorded = read_tracks(self.tracks, self.track)
        self.action = np.array(self.shot.action_point, float)
        self.view = insert_in_view(self.action[None], self.track)[:, 0]

    def solved(self, shift_m=0.0, focal=1.0, frames=slice(None)):
        """The true camera in a world of the solve's own; ``shift_m`` (F, 3) or 0 moves it."""
        world = self.track.world_from_cam.copy()
        world[:, :3, 3] += shift_m
        turn, at = TURN @ world[:, :3, :3], SCALE * world[:, :3, 3] @ TURN.T + SHIFT
        return SolvedCamera(
            "cam.csv", self.track.frame[frames], pose(turn, at)[frames], (focal * self.track.focal_mm)[frames]
        )

    def audit(self, solved, **more):
        more = more or {"recorded": self.recorded}
        return audit_camera(solved, self.track, self.surveyed, self.action, self.view, **more)


@pytest.fixture(scope="module")
def stage(tmp_path_factory):
    return Stage(tmp_path_factory.mktemp("audit"))


def test_a_right_solve_is_not_accused(stage):
    audit = stage.audit(stage.solved())
    assert audit.match.plan_from_survey.scale == pytest.approx(1 / SCALE, rel=2e-3)
    assert audit.scene.centres_m == pytest.approx(stage.track.centre_m, abs=0.01)
    assert audit.disagrees.mean() < 0.02
    assert np.nanmedian(audit.off_m) < 0.006
    assert np.nanmedian(np.hypot(*audit.drift_px.T)) < 1.0
    assert not audit.feature_off
    assert verdicts(audit)[0].startswith("The solved camera agrees")


def test_frames_that_are_off_are_named_with_their_distance(stage):
    """21 mm to the right in frames 112 to 140."""
    shift = np.zeros((len(stage.track), 3))
    inside = (stage.track.frame >= 112) & (stage.track.frame <= 140)
    shift[inside, 0] = 0.021
    audit = stage.audit(stage.solved(shift))
    ((first, last, off, _),) = audit.ranges()
    assert (first, last) == (112, 140)
    assert off == pytest.approx(0.021, abs=0.006)
    assert verdicts(audit)[0].startswith(f"Frames 112 to 140: solved camera {1000 * off:.0f} mm")
    drift = np.hypot(*audit.drift_px.T)
    assert np.nanmedian(drift[inside]) > 4 * np.nanmedian(drift[~inside])
    said = summary(audit)
    assert "29 disagree" in said


def test_shaking_is_jitter_not_drift(stage):
    shake = 0.004 * np.random.default_rng(3).normal(size=(len(stage.track), 3))
    calm, shaken = stage.audit(stage.solved()), stage.audit(stage.solved(shake))
    assert np.nanmean(np.hypot(*shaken.jitter_px.T)) > 3 * np.nanmean(np.hypot(*calm.jitter_px.T))
    assert np.nanmedian(shaken.shake_m) > 5 * np.nanmedian(calm.shake_m)


def test_the_test_of_a_frame_holds_its_rate(stage):
    """Registered exactly, the statistic is chi-square with six degrees: its mean over frames is six, in a few takes."""
    means = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        at = stage.true + SURVEY_M * rng.normal(size=stage.true.shape)
        surveyed = Surveyed(stage.surveyed.name, at, stage.surveyed.sigma_m)
        solved = SolvedCamera("c", stage.track.frame, stage.track.world_from_cam, stage.track.focal_mm)
        audit = audit_camera(
            solved, stage.track, surveyed, stage.action, stage.view, recorded=stage.recorded, registered=True
        )
        means.append(float(np.nanmean(audit.test)))
    assert 3 < np.mean(means) < 10  # frames share the survey's errors, so a take is worth few independent ones


def test_only_what_a_sound_solve_would_not_do_is_accused(stage):
    """A solve as far off as predicted: most frames leave what the survey allows, one in a thousand is accused."""
    f, rng = len(stage.track), np.random.default_rng(6)
    sigma = np.array([0.02, 0.012, 0.008, 0.003, 0.002, 0.001])  # m, rad
    predicted = np.broadcast_to(np.diag(sigma**2), (f, 6, 6))
    off, cameras = sigma * rng.normal(size=(f, 6)), stage.track.world_from_cam.copy()
    cameras[:, :3, 3] += off[:, :3]
    cameras[:, :3, :3] = Rotation.from_rotvec(off[:, 3:]).as_matrix() @ cameras[:, :3, :3]
    sound = SolvedCamera("c", stage.track.frame, cameras, stage.track.focal_mm)
    more = {"recorded": stage.recorded, "registered": True}
    alone, both = stage.audit(sound, **more), stage.audit(sound, **more, predicted=predicted)
    assert alone.accused.mean() > 0.8
    assert both.disagrees.mean() > 0.8
    assert both.accused.mean() < 0.01
    assert "none by more than a sound solve" in verdicts(both)[0]
    assert "predicted" not in verdicts(alone)[0]
    cameras = cameras.copy()
    cameras[50:70, :3, 3] += [0.3, 0, 0]
    told = stage.audit(dataclasses.replace(sound, world_from_cam=cameras), **more, predicted=predicted)
    assert [(first, last) for first, last, *_ in told.ranges()] == [tuple(stage.track.frame[[50, 69]])]
    assert "was predicted to stay within" in verdicts(told)[0]
    assert "20 by more than predicted" in summary(told)


def test_frames_without_a_prediction_are_held_against_the_survey_alone(stage):
    predicted = np.full((len(stage.track), 6, 6), np.nan)
    shift = np.zeros((len(stage.track), 3))
    shift[10:20, 2] = 0.05
    alone, unknown = (
        stage.audit(stage.solved(shift)),
        stage.audit(stage.solved(shift), recorded=stage.recorded, predicted=predicted),
    )
    assert unknown.ranges() == alone.ranges() != []
    assert "predicted" not in " ".join([*verdicts(unknown), summary(unknown)])


def test_focal_lengths(stage):
    assert not focal_findings(stage.audit(stage.solved()), False)
    assert "more than engraving" in focal_findings(stage.audit(stage.solved(focal=1.03)), False)[0]
    wander = 1 + 0.01 * np.sin(np.arange(len(stage.track)) / 30)
    assert "wanders" in focal_findings(stage.audit(stage.solved(focal=wander)), False)[0]
    assert not focal_findings(stage.audit(stage.solved(focal=wander)), True)
    none = stage.solved(focal=np.nan)
    assert "no focal length" in focal_findings(stage.audit(none), False)[0]


def test_a_feature_that_is_not_where_the_survey_says(stage):
    name = stage.recorded.feature[7]
    at = stage.surveyed.position_m.copy()
    at[stage.surveyed.name.index(name)] += [0.06, 0.0, 0.05]
    moved = Surveyed(stage.surveyed.name, at, stage.surveyed.sigma_m)
    audit = audit_camera(stage.solved(), stage.track, moved, stage.action, stage.view, recorded=stage.recorded)
    assert audit.feature_off[0][0] == name
    assert audit.labels[0] == name
    assert audit.disagrees.mean() < 0.1


def test_registration_by_solved_points_alone(stage):
    pick = np.arange(0, len(stage.surveyed.name), 9)
    own = SCALE * stage.true[pick] @ TURN.T + SHIFT
    names = tuple(stage.surveyed.name[i] for i in pick)
    points = SurveyPoints("p.csv", names, own, np.full(own.shape, np.nan), np.zeros(len(own)))
    audit = stage.audit(stage.solved(), points=points)
    assert audit.scene.centres_m == pytest.approx(stage.track.centre_m, abs=0.01)
    assert np.isnan(audit.test).all()
    assert "Without tracks" in " ".join(verdicts(audit))


def test_part_of_a_shot(stage):
    audit = stage.audit(stage.solved(frames=slice(20, 90, 2)))
    assert len(audit.frame) == 35
    assert np.isfinite(audit.test).any()


def test_what_cannot_be_registered_is_asked_about(stage):
    with pytest.raises(BadInput, match="--points"):
        audit_camera(stage.solved(), stage.track, stage.surveyed, stage.action, stage.view)
    other = Surveyed(("nothing", "known", "here"), np.eye(3), np.ones((3, 3)))
    with pytest.raises(BadInput, match="names of surveyed features"):
        audit_camera(stage.solved(), stage.track, other, stage.action, stage.view, recorded=stage.recorded)
    flipped = flip_camera_axes(stage.track.world_from_cam)
    wrong = SolvedCamera("c", stage.track.frame, flipped, stage.track.focal_mm)
    with pytest.raises(BadInput, match="the other of --camera-axes"):
        stage.audit(wrong, recorded=stage.recorded, registered=True)


# --- files --------------------------------------------------------------------------------------------------------


def write_camera(path, solved, style):
    """The same camera as quaternions, matrices, or pan, tilt and roll."""
    world = solved.world_from_cam
    rows, head = [], {"quaternion": "qw,qx,qy,qz", "matrix": ",".join(f"r{i}{j}" for i in "123" for j in "123"),
                      "head": "pan (deg),tilt (deg),roll (deg)"}[style]  # fmt: skip
    for frame, one, focal in zip(solved.frame, world, solved.focal_mm, strict=True):
        up = flip_camera_axes(one)
        turn = {
            "quaternion": quaternion_from_matrix(up),
            "matrix": up[:3, :3].ravel(),
            "head": np.degrees(pan_tilt_roll(one)),
        }[style]
        rows.append(",".join(f"{v:.9f}" for v in (frame, *one[:3, 3], *turn, focal)).replace(".000000000,", ",", 1))
    path.write_text(f"frame,x,y,z,{head},focal (mm)\n" + "\n".join(rows) + "\n")


@pytest.mark.parametrize("style", ["quaternion", "matrix", "head"])
def test_camera_files(stage, tmp_path, style):
    camera = SolvedCamera("c", stage.track.frame, stage.track.world_from_cam, stage.track.focal_mm)
    write_camera(tmp_path / "cam.csv", camera, style)
    if style != "head":
        with pytest.raises(BadInput, match="--camera-axes"):
            read_camera(tmp_path / "cam.csv", stage.track)
    read = read_camera(tmp_path / "cam.csv", stage.track, "" if style == "head" else "y-up")
    assert read.world_from_cam == pytest.approx(camera.world_from_cam, abs=1e-7)
    assert read.focal_mm == pytest.approx(camera.focal_mm)


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("frame,x,y,z\n1,0,0,0\n", "columns"),
        ("frame,x,y,z,qw,qx,qy,qz\n1,0,0,0,1,0,0,0\n1,0,0,0,1,0,0,0\n", "every frame once"),
        ("frame,x,y,z,qw,qx,qy,qz\n9999,0,0,0,1,0,0,0\n", "another --shot"),
        ("frame,x,y,z,qw,qx,qy,qz\n1.5,0,0,0,1,0,0,0\n", "a whole number"),
        ("frame,x,y,z,qw,qx,qy,qz\n1,0,0,0,0,0,0,0\n", "length 0"),
        ("frame,x,y,z,r11,r12,r13,r21,r22,r23,r31,r32,r33\n1,0,0,0,2,0,0,0,2,0,0,0,2\n", "without scale"),
        ("frame,x,y,z,r11,r12,r13,r21,r22,r23,r31,r32,r33\n1,0,0,0,1,0,0,0,1,0,0,0,-1\n", "right-handed"),
        ("frame,x,y,z,qw,qx,qy,qz,focal_mm\n1,0,nan,0,1,0,0,0,-3\n", "a focal length above 0"),
    ],
)
def test_broken_camera_files(stage, tmp_path, text, asked):
    (tmp_path / "cam.csv").write_text(text)
    with pytest.raises(BadInput, match=asked):
        read_camera(tmp_path / "cam.csv", stage.track, "y-up")


def test_the_verb(stage, tmp_path, capsys):
    shift = np.zeros((len(stage.track), 3))
    shift[30:50] = [0.0, 0.06, 0.0]
    write_camera(tmp_path / "cam.csv", stage.solved(shift), "quaternion")
    (tmp_path / "attic.toml").write_text(PATH.read_text())
    survey = ["point,x_m,y_m,z_m,sigma_mm"]
    survey += [f"{n},{x:.5f},{y:.5f},{z:.5f},2" for n, (x, y, z) in zip(
        stage.surveyed.name, stage.surveyed.position_m, strict=True)]  # fmt: skip
    (tmp_path / "points.csv").write_text("\n".join(survey) + "\n")
    call = ["audit", str(tmp_path / "attic.toml"), str(tmp_path / "cam.csv"), "--tracks", str(stage.tracks),
            "--survey", str(tmp_path / "points.csv"), "--camera-axes", "y-up"]  # fmt: skip
    assert main(call) == 2
    assert "--shot" in capsys.readouterr().err
    assert main([*call, "--shot", "CA020", "--json", "--strict"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert [(r["first"], r["last"]) for r in told["disagreeing"]] == [(31, 50)]
    assert told["registration"]["scale"] == pytest.approx(1 / SCALE, rel=2e-3)
    assert {p.name for p in (tmp_path / "attic-audit").iterdir()} == {"audit.html", "audit.csv", "audit.json"}


def test_the_page_and_the_table(stage):
    shift = np.zeros((len(stage.track), 3))
    shift[10:20, 2] = 0.05
    audit = stage.audit(stage.solved(shift))
    page = audit_page(stage.plan, stage.shot, audit)
    assert "frames 11 to 20 disagree" in page
    assert math.isfinite(audit.off_m[15])
    rows = audit_csv(audit).splitlines()
    assert len(rows) == len(stage.track) + 1
    assert rows[0].startswith("frame,disagrees,beyond_prediction,features,residual_px,off_m")
