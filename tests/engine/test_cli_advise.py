"""The verb advise: page, JSON, the advised plan beside the old one, and slips told in plain words."""

from __future__ import annotations

import json
from html.parser import HTMLParser

import pytest
from scatterproof.cli.main import main
from scatterproof.plan.read import load_plan


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("advice é")
    plan = folder / "yard.toml"
    assert main(["new", str(plan), "--example", "lantern-yard"]) == 0
    status = main(["advise", str(plan), "--shot", "LY020", "--budget", "2", "--takes", "20", "--apply", "--strict"])
    return folder, status


class Tags(HTMLParser):
    """Opened and closed tags, in their order."""

    def __init__(self):
        super().__init__()
        self.open, self.wrong = [], []

    def handle_starttag(self, tag, attrs):
        self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def test_everything_is_written_and_the_old_plan_stays(done):
    folder, status = done
    assert status == 0
    page = (folder / "yard-advice" / "advice.html").read_text(encoding="utf-8")
    tags = Tags()
    tags.feed(page)
    assert not tags.open
    assert not tags.wrong
    for heading in ("What to change", "Where a stand helps", "What must stay in frame", "How far a take may stray"):
        assert heading in page
    assert "http://" not in page.replace("http://www.w3.org", "")
    data = json.loads((folder / "yard-advice" / "advice.json").read_text(encoding="utf-8"))
    assert data["firm"] is True
    assert 1 <= len(data["changes"]) <= 2
    assert set(data["shots"][0]["after"]) == {"firm"}
    assert data["choice"]["at_least"] >= data["choice"]["published"]
    assert len(load_plan(folder / "yard.toml").plan.stands) == 2


def test_the_advised_plan_keeps_comments_and_adds_stands_only(done):
    folder, _ = done
    old, new = ((folder / name).read_text(encoding="utf-8") for name in ("yard.toml", "yard-advised.toml"))
    added = [line for line in new.splitlines() if line not in old.splitlines()]
    assert all(line in new.splitlines() for line in old.splitlines())  # every line, comments included
    assert any("advised stand 1" in line for line in added)
    assert load_plan(folder / "yard-advised.toml").plan.stands[0].name == "stand left"


def test_an_advised_plan_is_not_written_over_unless_asked(done, capsys):
    folder, _ = done
    before = (folder / "yard-advised.toml").read_bytes()
    assert main(["advise", str(folder / "yard.toml"), "--shot", "LY020", "--takes", "0", "--apply"]) == 2
    assert "--overwrite" in capsys.readouterr().err
    assert (folder / "yard-advised.toml").read_bytes() == before


@pytest.mark.parametrize(
    ("more", "told"),
    [(["--shot", "nobody"], "'nobody'"), (["--budget", "-1"], "whole number"), (["--takes", "many"], "whole number")],
)
def test_slips_are_told(done, capsys, more, told):
    folder, _ = done
    assert main(["advise", str(folder / "yard.toml"), *more]) == 2
    assert told in capsys.readouterr().err


def test_a_budget_of_nothing_ends_with_one_when_strict(done, capsys):
    folder, _ = done
    run = [
        "advise",
        str(folder / "yard.toml"),
        "--shot",
        "LY020",
        "--budget",
        "0",
        "--takes",
        "0",
        "--strict",
        "--json",
    ]
    assert main([*run, "--out", str(folder / "none")]) == 1
    data = json.loads(capsys.readouterr().out)
    assert data["changes"] == []
    assert any("would make them firm" in note for note in data["notes"])
    assert {f["kind"] for f in data["shots"][0]["fallbacks"]} == {"flat track", "rotation only"}
    page = (folder / "none" / "advice.html").read_text(encoding="utf-8")
    assert "If it has to be shot like this" in page
