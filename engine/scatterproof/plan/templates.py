"""Plans from templates: fragments of TOML in plan syntax, put together with their comments.

A stage fragment holds paints, [stage] and what stands on it; the others one [[camera]], some [[markers]] or one
[[shot]]. What a fragment cannot know is written with a star and filled in: ``camera = "*"`` is the plan's camera,
``surfaces = ["*walls"]`` (or "*floors", "*panels", "*coves", "*") are those of the stage.
"""

from __future__ import annotations

import dataclasses
import difflib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import tomlkit

from ..problems import one_problem
from .fields import key_of, kind_of
from .model import SCHEMA, Plan, Stage
from .pieces import Piece, cut, joined
from .read import parse_plan, parse_toml, read_text
from .write import updated

KINDS: Final = ("stages", "cameras", "markers", "moves", "plans")
_KEYS: Final = tuple(key_of(field) for field in dataclasses.fields(Plan))  # the order of tables in a plan
_SURFACES: Final = {"*floors": "floor", "*walls": "wall", "*panels": "panel", "*coves": "cove"}


def template_folder() -> Path:
    """Where the templates lie: inside the installed package, else beside the engine in a checkout.

    Raises BadInput where there are none.
    """
    here = Path(__file__).resolve()
    for folder in (here.parents[1] / "templates", here.parents[3] / "templates"):
        if folder.is_dir():
            return folder
    raise one_problem("templates", "no such folder", "a complete installation", str(here.parents[1]))


def template_names(kind: str) -> tuple[str, ...]:
    """Names of the templates of a kind (one of ``KINDS``), sorted."""
    return tuple(sorted(path.stem for path in (template_folder() / kind).glob("*.toml")))


def template_text(kind: str, name: str) -> str:
    """A template's text. Raises BadInput for a name that is none, with the ones there are."""
    names = template_names(kind)
    if name not in names:
        like = difflib.get_close_matches(name[:80], names, 1)
        expected = (f"{like[0]}, or " if like else "") + f"one of {', '.join(names)}"
        raise one_problem(kind.removesuffix("s"), repr(name)[:60], expected)
    return read_text(template_folder() / kind / f"{name}.toml")


def about_template(kind: str, name: str) -> str:
    """What a template is, in one line: its first comment."""
    first = template_text(kind, name).partition("\n")[0]
    return first.lstrip("# ").strip() if first.startswith("#") else ""


def example(name: str) -> str:
    """The text of a whole example plan. Raises BadInput for a name that is none."""
    return template_text("plans", name)


def compose(
    *, name: str, stage: str, camera: str, markers: Sequence[str] = (), moves: Sequence[str] = (), units: str = "m"
) -> str:
    """The text of a plan made of a stage, a camera package, marker sets and moves, comments included.

    Names that clash are numbered. Raises BadInput where a template does not exist or does not fit the stage.
    """
    fragments = [
        _fragment(kind, each)
        for kind, names in (("stages", [stage]), ("cameras", [camera]), ("markers", markers), ("moves", moves))
        for each in names
    ]
    taken: dict[tuple[str, str], dict[str, Any]] = {}
    for fragment in fragments:
        _keep_names_apart(fragment, taken)
    surfaces = _surface_names(parse_toml(joined(fragments[0]), stage).get("stage", {}))
    cameras = [key_name for key, key_name in taken if key == "camera"]
    for fragment in fragments:
        _fill_in(fragment, {"surface": surfaces, "camera": {"*": cameras[:1]}})
    head = Piece("", "", "", ())
    used = ", ".join([stage, camera, *markers, *moves])
    head.body = f"# Made from the templates {used}.\n\n"
    head.body += f"schema = {SCHEMA}\nname = {tomlkit.item(name).as_string()}\n" + 'units = "m"\n'
    text = joined([head, *_in_order(fragments)])
    file = parse_plan(text, name)
    if units == "m":
        return text
    # What templates say of their bare numbers would not be true any more.
    text = re.sub(r" Bare numbers are metres(, angles degrees)?\.", "", text)
    return updated(dataclasses.replace(file, text=text), dataclasses.replace(file.plan, units=units))


def _fragment(kind: str, name: str) -> list[Piece]:
    """A fragment's pieces without root keys: its opening comment is loose."""
    pieces = cut(template_text(kind, name))
    root = pieces[0]
    body = tomlkit.parse(root.body)
    if body.get("units", "m") != "m":
        raise one_problem("units", str(body["units"]), '"m": lengths in other units carry them', f"{kind}/{name}")
    for key in list(body):
        del body[key]
    comment = body.as_string().strip()
    pieces[0] = Piece(f"\n{comment}\n" if comment else "", "", "", None)
    for piece in pieces:
        # One marker set may be written as a plain table.
        if piece.address is not None and len(piece.address) == 1 and piece.address[0] != "stage":
            piece.header = re.sub(r"\[+(.*?)\]+", r"[[\1]]", piece.header, count=1)
            piece.address = (*piece.address, 0)
        if piece.address and piece.address[0] == "shot" and len(piece.address) == 2:
            piece.body += "" if "camera" in tomlkit.parse(piece.body) else 'camera = "*"\n'
    return pieces


def _keep_names_apart(fragment: list[Piece], taken: dict[tuple[str, str], dict[str, Any]]) -> None:
    """Number the names that other fragments have taken, and what refers to them; drop tables that are there already."""
    renamed: dict[tuple[str, str], str] = {}
    data = parse_toml(joined(fragment), "template")
    for piece in list(fragment):
        if piece.address is None or len(piece.address) != 2 or piece.address[0] == "stage":
            continue
        key, index = str(piece.address[0]), int(piece.address[1])
        table = data[key][index]
        name = str(table.get("name", ""))
        unnamed = {k: v for k, v in table.items() if k != "name"}
        # The same paint under the same name is one paint, however many fragments bring it.
        free = next(
            n for n in _numbered(name) if (key, n) not in taken or (key == "paint" and taken[key, n] == unnamed)
        )
        if (key, free) in taken:
            fragment.remove(piece)
        elif free != name:
            body = tomlkit.parse(piece.body)
            body["name"] = free
            piece.body = body.as_string()
        taken[key, free] = unnamed
        if free != name:
            renamed[key, name] = free
    if renamed:
        names = {kind: {old: [new] for (k, old), new in renamed.items() if k == kind} for kind, _ in renamed}
        _fill_in(fragment, names)


def _numbered(name: str) -> Iterator[str]:
    yield name
    number = 2
    while True:
        yield f"{name} {number}"
        number += 1


def _fill_in(fragment: Iterable[Piece], names: Mapping[str, Mapping[str, Sequence[str]]]) -> None:
    """Replace references: for each kind of reference, what a name stands for."""
    for piece in fragment:
        cls = _class_of(piece)
        if cls is None:
            continue
        body, changed = tomlkit.parse(piece.body), False
        for field in dataclasses.fields(cls):
            refers, key = kind_of(field).refers, key_of(field)
            if refers not in names:
                continue
            if key not in body and field.default in names[refers]:
                body[key] = field.default
            if key not in body:
                continue
            many = isinstance(body[key], list)
            old = list(body[key]) if many else [body[key]]
            new = [n for name in old for n in names[refers].get(str(name), [str(name)])]
            if new != old and new:
                body[key] = tomlkit.item(list(dict.fromkeys(new)) if many else new[0])
                changed = True
            elif not new:
                known = ", ".join(each for each, meant in names[refers].items() if meant)
                raise one_problem(key, " ".join(map(str, old)), f"what the stage has: {known}")
        if changed:
            piece.body = body.as_string()


def _class_of(piece: Piece) -> type | None:
    """The dataclass of the piece's table, None for a loose comment or a table of another program."""
    cls: type | None = None if piece.address is None else Plan
    for key in (step for step in piece.address or () if isinstance(step, str)):
        cls = next((kind_of(f).of for f in dataclasses.fields(cls) if key_of(f) == key), None) if cls else None
    return cls


def _surface_names(stage: Mapping[str, Any]) -> dict[str, list[str]]:
    defaults = {key_of(field): kind_of(field).of for field in dataclasses.fields(Stage)}
    found: dict[str, list[str]] = {}
    for star, key in _SURFACES.items():
        default = next((f.default for f in dataclasses.fields(defaults[key] or Stage) if f.name == "name"), "")
        found[star] = [str(table.get("name", default)) for table in stage.get(key, [])]
    return {**found, "*": [name for names in found.values() for name in names]}


def _in_order(fragments: Iterable[list[Piece]]) -> list[Piece]:
    """All pieces in the order of a plan's tables; a loose comment stays before the table it stood before."""
    ranked: list[tuple[int, Piece]] = []
    for fragment in fragments:
        ranks = [len(_KEYS)]
        for piece in reversed(fragment):
            key = piece.address[0] if piece.address else None
            ranks.append(_KEYS.index(str(key)) if key in _KEYS else ranks[-1])
        ranked += zip(ranks[:0:-1], fragment, strict=True)
    return [piece for _, piece in sorted(ranked, key=lambda entry: entry[0])]
