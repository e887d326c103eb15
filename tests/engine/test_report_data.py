import csv
import io
import json
import math

import numpy as np
from report_shots import firm_shot, made_up_shot
from scatterproof.plan.model import Plan, Stage
from scatterproof.readiness.verdict import Reason
from scatterproof.report.data import COLUMNS, readiness_csv, readiness_json

PLAN = Plan(name="Paper moons <&>", stage=Stage())


def read_back(shots):
    return list(csv.DictReader(io.StringIO(readiness_csv(shots), newline="")))


def test_json_has_the_agreed_shape():
    shot = made_up_shot([0, 0, 1, 2], first=11)
    data = json.loads(json.dumps(readiness_json(PLAN, [shot]), allow_nan=False))
    assert data["schema"] == 1
    assert data["plan"] == "Paper moons <&>"
    (told,) = data["shots"]
    assert told["name"] == "wide push"
    assert [frame["frame"] for frame in told["frames"]] == [11, 12, 13, 14]
    assert [frame["state"] for frame in told["frames"]] == ["firm", "firm", "thin", "lost"]
    last = told["frames"][-1]
    assert (last["features"], last["depths"], last["out_of_plane_sigma"]) == (3, 4, 31.25)
    assert last["reasons"] == [
        {"code": "features", "value": 3.0, "limit": 7.0, "text": "3 trackable features, 7 wanted"}
    ]
    assert told["summary"] == {"firm": 0.5, "thin": 0.25, "lost": 0.25}


def test_shares_sum_to_one_for_any_split():
    rng = np.random.default_rng(5)
    for count in (1, 3, 7, 241, 997):
        shot = made_up_shot(rng.integers(0, 3, count))
        shares = readiness_json(PLAN, [shot])["shots"][0]["summary"]
        assert math.isclose(sum(shares.values()), 1, abs_tol=1e-12)


def test_numbers_that_are_not_finite_become_null_and_empty_cells():
    endless = (Reason("out_of_plane", math.nan, math.inf, "no feature in view"),)
    shot = firm_shot(1, nearest_m=np.array([np.nan]), out_of_plane_sigma=np.array([np.inf]), reasons=(endless,))
    frame = readiness_json(PLAN, [shot])["shots"][0]["frames"][0]
    assert frame["nearest_m"] is None
    assert frame["out_of_plane_sigma"] is None
    assert (frame["reasons"][0]["value"], frame["reasons"][0]["limit"]) == (None, None)
    (row,) = read_back([shot])
    assert (row["nearest_m"], row["out_of_plane_sigma"], row["farthest_m"]) == ("", "", "9.0")


def test_a_nodal_move_says_that_it_solves_for_rotation():
    told = readiness_json(PLAN, [firm_shot(rotation_only=True), firm_shot()])["shots"]
    assert [shot["solve"] for shot in told] == ["rotation", "full"]


def test_csv_has_a_row_for_every_frame_of_every_shot():
    shots = [made_up_shot([0, 1, 2]), firm_shot(5, name='push, "slow"\nthen still', first=101)]
    rows = read_back(shots)
    assert list(rows[0]) == list(COLUMNS)
    assert [(row["shot"], int(row["frame"])) for row in rows] == [
        (shot.name, int(frame)) for shot in shots for frame in shot.frame
    ]
    assert [row["state"] for row in rows[:3]] == ["firm", "thin", "lost"]
    assert rows[2]["reasons"] == "3 trackable features, 7 wanted"


def test_no_cell_of_the_csv_is_a_formula():
    for name in ("=HYPERLINK(1)", "+1", "-1", "@sum", "\tx", "\r=1"):
        (row,) = read_back([firm_shot(1, name=name, camera=name)])
        assert row["shot"] == row["camera"] == "'" + name
