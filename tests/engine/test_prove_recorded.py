"""Tracks from a file: read strictly, solved, held against the plan."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from scatterproof.problems import BadInput
from scatterproof.prove.predict import predict
from scatterproof.prove.recorded import (
    POSE_COLUMNS,
    RecordedSolve,
    feature_names,
    poses_csv,
    read_tracks,
    solve_tracks,
)
from scatterproof.solve.track_errors import TrackErrors
from track_files import HEADER, SPOILT, rehearsal, rows_of, written


def solved(path, name="LY030", **options):
    r = rehearsal(name)
    recorded = read_tracks(path, r.track)
    return solve_tracks(recorded, r.layout, r.track, np.array(r.shot.action_point), r.network.unknowns, **options)


def rms(slide_px):
    return np.sqrt(np.nanmean(np.sum(slide_px**2, axis=1)))


def test_every_feature_has_a_name_of_its_own():
    names = feature_names(rehearsal().layout)
    assert len(set(names)) == len(names) == len(rehearsal().layout.features)
    assert "stand left band 1" in names
    assert "road case point 8" in names
    assert "wall scatter 1 corner 1" in names


def test_a_file_is_read_as_it_was_written(tmp_path):
    rows = rows_of()
    recorded = read_tracks(written(tmp_path / "a.csv", rows), rehearsal().track)
    t = recorded.tracks
    assert len(t) == len(rows)
    assert not recorded.own_sigma
    for k in (0, 17, len(rows) - 1):
        assert recorded.feature[t.point[k]] == rows[k][0]
        assert recorded.frame[t.frame[k]] == rows[k][1]
        assert t.uv_px[k].tolist() == rows[k][2:]
    # Columns in another order, with sigmas, a byte order mark and blank lines.
    swapped = [[y, x, frame, 0.05, feature] for feature, frame, x, y in rows]
    text = io.StringIO()
    csv.writer(text).writerows([["Y", "x", "Frame", "sigma", "feature"], *swapped[:50], [], *swapped[50:]])
    (tmp_path / "b.csv").write_text("\ufeff" + text.getvalue(), encoding="utf-8")
    again = read_tracks(tmp_path / "b.csv", rehearsal().track)
    assert again.own_sigma
    assert np.array_equal(again.tracks.uv_px, t.uv_px)
    assert np.allclose(again.tracks.white, 20)


def test_tracks_are_solved_and_held_against_the_plan(tmp_path):
    r = rehearsal()
    solve = solved(written(tmp_path / "a.csv", rows_of()))
    assert isinstance(solve, RecordedSolve)
    assert solve.solved.all()
    assert not solve.lost_frames
    assert not solve.surveyed
    assert 0.01 < 1 - solve.kept.mean() < 0.04
    # 0.2 px are assumed where the file says nothing: the tracks turn out to be better.
    assert 0.06 < solve.residual_rms_px < 0.12  # 0.05 px each axis, and what of the bands no point explains
    assert solve.sigma0 == pytest.approx(1, abs=0.1)
    told = solved(written(tmp_path / "b.csv", rows_of(sigma=True), [*HEADER, "sigma"]))
    assert told.sigma0 == pytest.approx(1, abs=0.05)
    assert told.scene.focal_px[0] == pytest.approx(r.track.focal_px[0, 0], rel=0.05)
    predicted = r.prediction.slide
    assert rms(told.drift_px) < 3 * np.nanmax(predicted.drift_sigma_px)
    assert rms(told.jitter_px) < 2 * np.nanmax(predicted.jitter_sigma_px)
    # A solve that believes bands as much as corners takes the roundness of their poles for parallax.
    assert rms(solve.drift_px) > 5 * rms(told.drift_px)
    # What the tracks' own scatter lets expect is what the plan let expect of tracks with such round sigmas.
    round_px2 = np.trace(r.network.covariance_px2, axis1=2, axis2=3)[..., None, None] / 2 * np.eye(2)
    predicted = predict(replace(r.network, covariance_px2=round_px2, errors=TrackErrors(round_px2))).slide
    assert np.nanmedian(told.expected.jitter_sigma_px / predicted.jitter_sigma_px) == pytest.approx(1, abs=0.12)
    assert np.nanmedian(told.expected.drift_sigma_px / predicted.drift_sigma_px) == pytest.approx(1, abs=0.2)


def test_surveyed_features_hold_the_solve_in_the_plan_s_world(tmp_path):
    path = written(tmp_path / "a.csv", rows_of())
    free, held = solved(path), solved(path, survey_sigma_m=0.001)
    assert len(held.surveyed) > 30
    assert "surveyed" in held.datum
    assert held.camera_m.max() < 0.001
    # The planned path takes up what a free solve has wrong along it; its lens is found by the survey.
    assert free.camera_m.max() < 0.001
    assert held.scene.focal_px[0] == pytest.approx(rehearsal().track.focal_px[0, 0], rel=0.003)
    assert rms(held.drift_px) < 0.2 * rms(free.drift_px)  # the plan knows how thick the poles are
    nameless = [[f"t{row[0]}", *row[1:]] for row in rows_of()]
    with pytest.raises(BadInput, match="0 tracks with names of the plan"):
        solved(written(tmp_path / "b.csv", nameless), survey_sigma_m=0.001)


def test_a_nodal_move_is_solved_for_rotation(tmp_path):
    solve = solved(written(tmp_path / "a.csv", rows_of("LY040")), "LY040")
    assert solve.rotation_only
    assert solve.camera_m.max() < 1e-9
    turn = rehearsal("LY040").track.world_from_cam[:, :3, :3].transpose(0, 2, 1) @ solve.scene.world_from_cam[:, :3, :3]
    assert np.abs(turn - np.eye(3)).max() < 1e-3


def test_poses_go_out_as_a_table(tmp_path):
    r = rehearsal()
    solve = solved(written(tmp_path / "a.csv", rows_of()), survey_sigma_m=0.001)
    table = list(csv.DictReader(io.StringIO(poses_csv(solve, r.track))))
    assert tuple(table[0]) == POSE_COLUMNS
    assert [int(row["frame"]) for row in table] == r.track.frame.tolist()
    row, last = table[-1], len(r.track) - 1
    at = np.array([float(row[key]) for key in ("x_m", "y_m", "z_m")])
    assert np.linalg.norm(at - r.track.centre_m[last]) < 0.01
    w, x, y, z = (float(row[f"q_{key}"]) for key in "wxyz")
    forward = np.array([2 * (x * z + w * y), 2 * (y * z - w * x), 1 - 2 * (x * x + y * y)])
    assert forward @ r.track.world_from_cam[last, :3, 2] > 0.99999
    assert float(row["focal_mm"]) == pytest.approx(50, rel=0.01)


@pytest.mark.parametrize("what", SPOILT)
def test_what_is_wrong_is_told_with_its_line(what, tmp_path):
    make, words = SPOILT[what]
    header, rows = make(rows_of())
    with pytest.raises(BadInput) as told:
        read_tracks(written(tmp_path / "tracks.csv", rows, header), rehearsal().track)
    assert words in str(told.value)
    assert all(problem.file == "tracks.csv" for problem in told.value.problems)


def test_all_that_is_wrong_is_told_at_once(tmp_path):
    rows = rows_of()
    rows[3][2], rows[8][1], rows[9][3] = "nan", 7, 1e9
    with pytest.raises(BadInput) as told:
        read_tracks(written(tmp_path / "a.csv", rows), rehearsal().track)
    assert [problem.where for problem in told.value.problems] == ["line 5", "line 10", "line 11"]


def test_files_that_are_no_tables_are_refused(tmp_path):
    track = rehearsal().track
    (tmp_path / "a.csv").write_bytes(b"feature,frame,x,y\n\xff\xfe\x00")
    (tmp_path / "b.csv").write_text('feature,frame,x,y\n"a,1001,3,4\n', encoding="utf-8")
    (tmp_path / "c.csv").write_text("", encoding="utf-8")
    for name, words in (("a.csv", "no UTF-8"), ("b.csv", "expected a CSV"), ("c.csv", "found nothing"),
                        ("none.csv", "can be read")):  # fmt: skip
        with pytest.raises(BadInput, match=words):
            read_tracks(tmp_path / name, track)
    with pytest.raises(BadInput, match="can be read"):
        read_tracks(tmp_path, track)


def test_tracks_that_fit_nothing_come_with_a_reason(tmp_path):
    rng = np.random.default_rng(0)
    wild = [[f"f{i}", frame, *rng.uniform(10, 3000, 2).round(2)] for i in range(20) for frame in range(1001, 1021)]
    no = solved(written(tmp_path / "a.csv", wild))
    assert not no
    assert no.frames
    assert no.remedy
