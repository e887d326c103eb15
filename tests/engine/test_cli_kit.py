"""``scatterproof kit`` from the command line."""

import csv
import json

import pytest
from scatterproof.cli.main import main
from scatterproof.plan.templates import example


@pytest.fixture(scope="module")
def plan_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("kit") / "yard.toml"
    text = example("lantern-yard")
    # Fewer frames: the kit itself is tested here, not the rehearsal.
    path.write_text(
        text.replace("1120]", "1012]").replace("1260]", "1012]").replace("1168]", "1012]"), encoding="utf-8"
    )
    return path


def test_a_kit_is_written_whole(plan_file, tmp_path, capsys):
    out = tmp_path / "Gerüst kit"
    assert main(["kit", str(plan_file), "--out", str(out), "--paper", "A3", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (out / "kit.pdf").read_bytes().startswith(b"%PDF-")
    assert len(list((out / "sheets").glob("*.svg"))) == told["sheets"]
    rows = list(csv.DictReader((out / "set-out.csv").open(encoding="utf-8")))
    assert sum(row["number"].isdigit() for row in rows) == told["markers"] == 129
    cut = list(csv.DictReader((out / "cut-list.csv").open(encoding="utf-8")))
    assert {row["number"] for row in cut} == {row["number"] for row in rows if row["number"].isdigit()}
    assert {row["number"] for row in csv.DictReader((out / "stands.csv").open(encoding="utf-8"))} == {"S1", "S2"}
    assert any("LY020" in warning for warning in told["warnings"])


def test_a_second_kit_leaves_no_sheet_of_the_first(plan_file, tmp_path, capsys):
    out = tmp_path / "kit"
    (out / "sheets").mkdir(parents=True)
    (out / "sheets" / "999-cut.svg").write_text("old", encoding="utf-8")
    (out / "sheets" / "mine.svg").write_text("mine", encoding="utf-8")
    assert (
        main(["kit", str(plan_file), "--out", str(out), "--paper", "Tabloid", "--units", "ft", "--round", "1/4 in"])
        == 0
    )
    assert not (out / "sheets" / "999-cut.svg").exists()
    assert (out / "sheets" / "mine.svg").exists()
    assert "sheets in" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--tape", "33 mm"], "33 mm"),
        (["--tape", "wide"], "'wide'"),
        (["--round", "2 m"], "--round"),
        (["--round", "much"], "much"),
    ],
)
def test_what_is_no_option_is_told(plan_file, tmp_path, capsys, options, said):
    assert main(["kit", str(plan_file), "--out", str(tmp_path / "kit"), *options]) == 2
    assert said in capsys.readouterr().err
