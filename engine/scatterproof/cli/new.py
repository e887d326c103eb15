"""``scatterproof new OUT.toml``: a plan from templates, or a copy of an example plan."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..plan.model import LENGTH_UNITS, Blocker, Gear
from ..plan.read import parse_plan, read_bytes
from ..plan.templates import KINDS, about_template, compose, example, template_folder, template_names
from ..plan.write import save_bytes, save_text
from ..problems import BadInput, Problem


def register(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verb and its options."""
    verb = verbs.add_parser("new", help="make a plan from templates")
    verb.add_argument("out", type=Path, nargs="?", metavar="OUT.toml", help="the plan file to write")
    verb.add_argument("--stage", metavar="NAME", help="stage template")
    verb.add_argument("--camera", metavar="NAME", help="camera package")
    for option, what in (("--markers", "marker set"), ("--move", "move: one shot each")):
        verb.add_argument(
            option, action="extend", nargs="+", default=[], metavar="NAME", help=f"{what} (several, or repeated)"
        )
    verb.add_argument("--name", help="name of the plan; default: the file's")
    verb.add_argument("--units", choices=LENGTH_UNITS, default="m", help="unit of its lengths; default: m")
    verb.add_argument("--example", metavar="NAME", help="a whole example plan instead")
    verb.add_argument("--force", action="store_true", help="overwrite a file that is there")
    verb.add_argument("--list", action="store_true", help="list the templates")
    verb.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Compose, check, save."""
    if arguments.list:
        print(listing())
        return 0
    _require_options(arguments)
    out: Path = arguments.out
    if arguments.example:
        text = example(arguments.example)
    else:
        text = compose(
            name=arguments.name or out.stem,
            stage=arguments.stage,
            camera=arguments.camera,
            markers=arguments.markers,
            moves=arguments.move,
            units=arguments.units,
        )
    plan = parse_plan(text, str(out)).plan
    things: tuple[Blocker | Gear, ...] = (*plan.blockers, *plan.gear)
    meshes = {thing.file for thing in things if thing.file}
    files = [out, *(out.parent / mesh for mesh in sorted(meshes))]
    present = [Problem("OUT", f"{file} exists", "a new name, or --force") for file in files if file.exists()]
    if present and not arguments.force:
        raise BadInput(present)
    for mesh in sorted(meshes):
        save_bytes(out.parent / mesh, read_bytes(template_folder() / "plans" / mesh))
    save_text(out, text)
    print(f"{out} is ready; next: scatterproof rehearse {out}")
    return 0


def listing() -> str:
    """Every template with what it is, one line each."""
    lines = []
    for kind in KINDS:
        option = "--example" if kind == "plans" else f"--{kind if kind == 'markers' else kind.removesuffix('s')}"
        names = template_names(kind)
        width = max(map(len, names), default=0)
        lines += [f"{option} NAME", *(f"  {name:<{width}}  {about_template(kind, name)}" for name in names), ""]
    return "\n".join(lines).rstrip()


def _require_options(arguments: argparse.Namespace) -> None:
    parts = {"--stage": arguments.stage, "--camera": arguments.camera}
    problems = []
    if arguments.out is None:
        problems.append(Problem("OUT.toml", "nothing", "the name of the plan file to write"))
    if arguments.example:
        extra = {**parts, "--markers": arguments.markers, "--move": arguments.move, "--name": arguments.name}
        problems += [Problem(key, "--example as well", "one or the other") for key, given in extra.items() if given]
    else:
        problems += [
            Problem(key, "nothing", f"one of {', '.join(template_names(key.strip('-') + 's'))} (or --example NAME)")
            for key, given in parts.items()
            if not given
        ]
    if problems:
        raise BadInput(problems)
