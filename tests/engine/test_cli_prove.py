"""``scatterproof prove`` as a person types it."""

from __future__ import annotations

import csv
import json
from html.parser import HTMLParser

import numpy as np
import pytest
from scatterproof.cli.main import main
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.readiness.rehearse import rehearse
from scatterproof.readiness.verdict import LOST, THIN
from scatterproof.report.proof import beside
from track_files import HEADER, SPOILT, rows_of, written


@pytest.fixture
def plan(tmp_path):
    path = tmp_path / "yard ü.toml"
    path.write_text(example("lantern-yard"), encoding="utf-8")
    return path


class Balanced(HTMLParser):
    """Every element that is opened is closed again."""

    def __init__(self):
        super().__init__()
        self.open = []

    def handle_starttag(self, tag, attributes):
        self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        pass

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def page_of(path):
    text = path.read_text(encoding="utf-8")
    parser = Balanced()
    parser.feed(text)
    assert not parser.open
    assert ">nan" not in text
    assert '"nan' not in text
    return text


def test_takes_and_prediction_side_by_side(plan, tmp_path, capsys):
    out = tmp_path / "out"
    shots = ["--shot", "LY020", "--shot", "LY030"]
    assert main(["prove", str(plan), *shots, "--takes", "3", "--jobs", "2", "--out", str(out)]) == 0
    told = capsys.readouterr().out
    assert "LY030\n  Firm: an insert drifts by up to" in told
    assert "3 of 3 simulated takes solved from nothing" in told
    assert "The linear prediction is no longer valid here" in told
    assert "The simulated value rules." in told
    data = json.loads((out / "prove.json").read_text(encoding="utf-8"))
    assert data["schema"] == 1
    wall, stands = data["shots"]
    assert (wall["name"], stands["name"]) == ("LY020", "LY030")
    assert (wall["rules"], stands["rules"]) == ("simulated", "predicted")
    for shot in data["shots"]:
        predicted, takes = shot["predicted"], shot["takes"]
        assert takes["solved"] + takes["failed"] == 3
        assert takes["seeds"] == [1, 2, 3]
        for key in ("slide_drift_px", "slide_jitter_px"):
            assert len(predicted[key]) == len(takes[key]) == len(shot["frames"]) == 72
        assert len(predicted["camera_sigma_mm"]) == len(takes["camera_rms_mm"]) == 72
    assert wall["predicted"]["flat"]
    assert not wall["predicted"]["linear"]
    ratio = np.median(np.array(stands["takes"]["slide_jitter_px"]) / stands["predicted"]["slide_jitter_px"])
    assert ratio == pytest.approx(1, abs=0.3)
    page = page_of(out / "prove.html")
    assert "Where an insert may stand" in page
    assert "no longer valid" in page


def test_no_takes_is_the_prediction_alone(plan, capsys):
    assert main(["prove", str(plan), "--takes", "0", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [shot["name"] for shot in data["shots"]] == ["LY010", "LY020", "LY030", "LY040", "LY050"]
    assert all("takes" not in shot and shot["rules"] == "predicted" for shot in data["shots"])
    assert [shot["predicted"]["rotation_only"] for shot in data["shots"]] == [False, False, False, True, False]
    page_of(plan.with_name("yard ü-proof") / "prove.html")


def test_strict_tells_by_its_exit_status(plan):
    for shot, status in (("LY030", 0), ("LY020", 1)):
        assert main(["prove", str(plan), "--shot", shot, "--takes", "0", "--strict"]) == status


def test_recorded_tracks_from_file_to_poses(plan, tmp_path, capsys):
    tracks, out = written(tmp_path / "take 1.csv", rows_of()), tmp_path / "out"
    ask = ["prove", str(plan), "--shot", "LY030", "--tracks", str(tracks), "--out", str(out)]
    assert main(ask) == 0
    told = capsys.readouterr().out
    assert "Solved 72 of 72 frames" in told
    assert "reprojection error" in told
    assert "Slide against the plan" in told
    (shot,) = json.loads((out / "prove.json").read_text(encoding="utf-8"))["shots"]
    assert shot["tracks"]["solved"]
    assert shot["tracks"]["reprojection_rms_px"] < 0.13  # 0.06 px each axis, and what of the bands no point explains
    assert len(shot["tracks"]["slide_drift_px"]) == 72
    with (out / "poses.csv").open(encoding="utf-8", newline="") as stream:
        assert len(list(csv.DictReader(stream))) == 72
    page_of(out / "prove.html")
    assert main([*ask, "--survey", "2 mm"]) == 0
    assert "surveyed features" in capsys.readouterr().out


def test_tracks_that_do_not_solve_are_a_result(plan, tmp_path, capsys):
    rng = np.random.default_rng(0)
    wild = [[f"f{i}", frame, *rng.uniform(10, 3000, 2).round(2)] for i in range(20) for frame in range(1001, 1021)]
    tracks, out = written(tmp_path / "a.csv", wild), tmp_path / "out"
    ask = ["prove", str(plan), "--shot", "LY030", "--tracks", str(tracks), "--out", str(out)]
    assert main(ask) == 0
    assert "Not solved" in capsys.readouterr().out
    assert not (out / "poses.csv").exists()
    (shot,) = json.loads((out / "prove.json").read_text(encoding="utf-8"))["shots"]
    assert not shot["tracks"]["solved"]
    assert shot["tracks"]["remedy"]
    assert main([*ask, "--strict"]) == 1


@pytest.mark.parametrize("what", ["nan", "twice", "unordered", "two features", "one line", "half size",
                                  "frame out of range"])  # fmt: skip
def test_bad_tracks_are_told_and_nothing_is_written(what, plan, tmp_path, capsys):
    make, words = SPOILT[what]
    header, rows = make(rows_of())
    tracks = written(tmp_path / "tracks.csv", rows, header)
    before = sorted(tmp_path.rglob("*"))
    assert main(["prove", str(plan), "--shot", "LY030", "--tracks", str(tracks)]) == 2
    told = capsys.readouterr().err
    assert words in told
    assert "Traceback" not in told
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--takes", "many"], "whole number"),
        (["--takes", "-1"], "whole number"),
        (["--shot", "LY999"], "LY999"),
        (["--tracks", "none.csv"], "5 shots; expected one shot"),
        (["--tracks", "none.csv", "--shot", "LY030"], "can be read"),
        (["--tracks", "none.csv", "--shot", "LY030", "--survey", "near"], "--survey"),
        (["--survey", "5 mm"], "--tracks as well"),
        (["--shot", "LY030", "--takes", "1", "--cluster", "tcp://127.0.0.1:9"], "--cluster"),
    ],
)
def test_what_does_not_fit_is_told(arguments, words, plan, tmp_path, capsys):
    before = sorted(tmp_path.rglob("*"))
    assert main(["prove", str(plan), *arguments]) == 2
    told = capsys.readouterr().err
    assert words in told
    assert "Traceback" not in told
    assert sorted(tmp_path.rglob("*")) == before


def test_surveyed_names_are_asked_for(plan, tmp_path, capsys):
    nameless = written(tmp_path / "a.csv", [[f"t{row[0]}", *row[1:]] for row in rows_of()], HEADER)
    ask = ["prove", str(plan), "--shot", "LY030", "--tracks", str(nameless), "--survey", "5 mm"]
    assert main(ask) == 2
    assert "named as the plan's features, for example 'wall scatter 1 corner 1'" in capsys.readouterr().err


def test_a_page_about_slide_says_where_the_rehearsal_is_harder():
    rehearsed = next(rehearse(parse_plan(example("lantern-yard")).plan, ["LY020"])).readiness
    (line,) = beside(rehearsed, THIN)
    assert "72 of 72 frames lost" in line
    assert beside(rehearsed, LOST) == []
