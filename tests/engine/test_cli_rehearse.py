"""The main job through the commands a person types, on every example plan."""

import csv
import json

import pytest
from scatterproof.cli.main import main
from scatterproof.plan.templates import example, template_names


@pytest.mark.parametrize("name", template_names("plans"))
def test_an_example_from_new_to_report(name, tmp_path, capsys):
    plan, out = tmp_path / "mein plan ü.toml", tmp_path / "out"
    assert main(["new", str(plan), "--example", name]) == 0
    assert main(["check", str(plan)]) == 0
    assert main(["rehearse", str(plan), "--out", str(out)]) == 0
    told = capsys.readouterr()
    data = json.loads((out / "readiness.json").read_text(encoding="utf-8"))
    assert data["schema"] == 1
    for shot in data["shots"]:
        assert shot["name"] in told.out
        assert sum(shot["summary"].values()) == pytest.approx(1)
        assert {f["state"] for f in shot["frames"]} <= {"firm", "thin", "lost"}
        assert all(f["reasons"] and set(f["reasons"][0]) == {"code", "value", "limit", "text"} for f in shot["frames"])
        assert [f["frame"] for f in shot["frames"]] == list(
            range(shot["frames"][0]["frame"], shot["frames"][-1]["frame"] + 1)
        )
    rows = list(csv.DictReader((out / "readiness.csv").open(encoding="utf-8", newline="")))
    assert len(rows) == sum(len(shot["frames"]) for shot in data["shots"])
    page = (out / "report.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert all(shot["name"] in page for shot in data["shots"])


@pytest.fixture
def plan(tmp_path):
    path = tmp_path / "yard.toml"
    path.write_text(example("lantern-yard"), encoding="utf-8")
    return path


def test_one_shot_as_json(plan, capsys):
    assert main(["rehearse", str(plan), "--shot", "LY020", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [shot["name"] for shot in data["shots"]] == ["LY020"]
    assert {r["code"] for f in data["shots"][0]["frames"] for r in f["reasons"]} >= {"one_plane"}
    assert all(f["out_of_plane_sigma"] < 1e-3 for f in data["shots"][0]["frames"])


def test_strict_tells_by_its_exit_status(plan):
    assert main(["rehearse", str(plan), "--shot", "LY030", "--strict"]) == 0
    assert main(["rehearse", str(plan), "--shot", "LY020", "--strict"]) == 1


def test_the_same_plan_gives_the_same_numbers(plan, tmp_path):
    for out in ("a", "b"):
        assert main(["rehearse", str(plan), "--shot", "LY030", "--out", str(tmp_path / out)]) == 0
    a, b = ((tmp_path / out / "readiness.json").read_bytes() for out in ("a", "b"))
    assert a == b


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["rehearse", "PLAN", "--shot", "LY999"], "LY999"),
        (["rehearse", "nowhere.toml"], "no such file"),
        (["rehearse", "PLAN", "--out", "PLAN"], "--out"),
        (["scene", "PLAN", "--render", "LY010"], "SHOT:FRAME"),
        (["scene", "PLAN", "--out", "stage.txt"], ".blend"),
        (["rehearse"], "PLAN"),
    ],
)
def test_what_does_not_fit_is_told_and_nothing_is_written(plan, tmp_path, capsys, arguments, words):
    before = sorted(tmp_path.rglob("*"))
    assert main([str(plan) if word == "PLAN" else word for word in arguments]) == 2
    told = capsys.readouterr().err
    assert words in told
    assert "Traceback" not in told
    assert sorted(tmp_path.rglob("*")) == before
