"""Spoilt plan files: every one is either valid or refused with a list of problems; nothing else ever happens."""

import contextlib
import io
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from plan_strategy import plans
from scatterproof.cli.main import main
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example, template_names
from scatterproof.plan.write import dump_plan, updated
from scatterproof.problems import BadInput

EXAMPLES = [example(name) for name in template_names("plans")]

VALUES = st.sampled_from(
    [
        "nan", "-inf", "1e308", "-1e308", "1e999999999", "5e-324", "-0.0", "0", "-1", "1_000", "9" * 400,
        "0x" + "F" * 5000, "true", '""', '"x"', '"NaN"', '"灯"', '"5\' 6\\""', '"1/0 in"', '"-6 m"', '"1e999 m"',
        '"\\u0000"', "'''\n[x]\n'''", "[]", "{}", "[[]]", "[{}]", "[nan, nan]", "[0, 0, 0]", "[[0, 0], [1, 1]]",
        "[1, [2, [3]]]", "[1, 2, 3, 4, 5, 6, 7, 8, 9]", '["a", "b"]', '["*walls"]', "{a = 1}", "[" * 300 + "]" * 300,
        "1979-05-27", "12:00:00",
    ]
)  # fmt: skip
LINES = st.sampled_from(
    ["[stage]", "[[shot]]", "[[stand]]", "[shot]", "[[stage.wall]]", "name = 1", "schema = 1", "schema = 3",
     "units = 'ft'", "units = 'yd'", "ä = 1", "[[shot.key]]", "[markers]", "# ü", "\x00", "[" * 2000,
     "first = 1", "min_features = []"]
)  # fmt: skip
BYTES = st.sampled_from(
    [b"\xff", b"\x00", b"\xc3", "灯".encode(), b"\r", b'"', b"'''", b"[", b"]", b"=", b"\n", b"\xef\xbb\xbf"]
)


@st.composite
def spoilt(draw, most_changes=6):
    """The bytes of a plan with some of it changed, taken away, moved or added."""
    text = draw(st.one_of(st.sampled_from(EXAMPLES), plans(most=2).map(dump_plan)))
    lines = text.split("\n")
    for _ in range(draw(st.integers(0, most_changes))):
        at = draw(st.integers(0, max(len(lines) - 1, 0)))
        match draw(st.sampled_from(["drop", "cut", "repeat", "move", "value", "value", "value", "line", "key"])):
            case "drop":
                del lines[at : at + draw(st.integers(1, 12))]
            case "cut":
                lines = lines[:at]
            case "repeat":
                lines[at:at] = lines[at : at + draw(st.integers(1, 12))]
            case "move":
                lines.insert(draw(st.integers(0, len(lines))), lines.pop(at) if lines else "")
            case "value" if lines:
                key, equals, _ = lines[at].partition("=")
                lines[at] = f"{key}= {draw(VALUES)}" if equals else lines[at]
            case "key" if lines:
                lines[at] = lines[at][draw(st.integers(0, 3)) :]
            case _:
                lines.insert(at, draw(LINES))
    data = "\n".join(lines).encode()
    for _ in range(draw(st.integers(0, 1))):
        at, length = draw(st.integers(0, len(data))), draw(st.integers(0, 8))
        data = data[:at] + draw(BYTES) + data[at + length :]
    return data


def run(argv):
    """Exit status, standard output, standard error of a command in this process."""
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(io.StringIO()) as err:
        status = main(argv)
    return status, out.getvalue(), err.getvalue()


@settings(max_examples=80, deadline=None)
@given(spoilt())
def test_a_spoilt_plan_is_valid_or_refused(data):
    text = data.decode("utf-8", errors="replace")
    problems, file = [], None
    try:
        file = parse_plan(text, "x.toml")
    except BadInput as error:
        problems = error.problems
    assert (file is None) == bool(problems)
    for problem in problems:
        assert problem.file == "x.toml"
        assert problem.where
        assert problem.found
        assert problem.expected
        assert len(str(problem)) < 2000
    if file is None:
        return
    assert parse_plan(dump_plan(file.plan)).plan == file.plan
    # Whatever layout the text has come to: edits hold the plan, or are refused.
    with contextlib.suppress(BadInput):
        text = updated(file, parse_plan(EXAMPLES[0]).plan)
        assert parse_plan(text).plan == parse_plan(EXAMPLES[0]).plan


@settings(max_examples=40, deadline=None)
@given(spoilt())
def test_the_command_line_refuses_with_a_list_and_writes_nothing(data):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plän 灯.toml"
        path.write_bytes(data)
        status, out, err = run(["check", str(path)])
        assert status in (0, 2)
        assert "Traceback" not in out + err
        if status == 2:
            count = err.count("\n") - 1
            assert err.startswith("scatterproof: ")
            assert 1 <= count <= 51
            assert out == ""
        assert [p.name for p in Path(folder).iterdir()] == [path.name]
        assert path.read_bytes() == data


@given(st.binary(max_size=300))
@settings(max_examples=60, deadline=None)
def test_any_bytes_are_refused(data):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x"
        path.write_bytes(data)
        assert run(["check", str(path)])[0] == 2


ARGUMENTS = st.sampled_from(
    ["new", "check", "--stage", "corner", "--camera", "full-frame", "--markers", "discs", "--move", "push", "--list",
     "--json", "--example", "lantern-yard", "x.toml", "no/x.toml", "", "灯", "--units", "ft", "--name", " ", "--help",
     "-x", "--force", "."]
)  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(st.lists(ARGUMENTS, max_size=8))
def test_any_arguments_end_cleanly(arguments):
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        status, out, err = run(arguments)
        assert status in (0, 2)
        assert "Traceback" not in out + err
        if status == 2:
            assert err or '"valid": false' in out  # --json tells its problems on standard output
            assert list(Path(folder).iterdir()) == []
