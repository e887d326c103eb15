"""Imports point one way: each engine folder may use only what stands above it, and the engine never knows Blender."""

import ast
import sys
from pathlib import Path

import pytest
import scatterproof

ENGINE = Path(scatterproof.__file__).parent
ROWS = [
    {"problems", "sources", "steps"},
    {"plan"},
    {"stage", "camera"},
    {"sightings"},
    {"solve", "paint"},
    {"prove"},
    {"readiness"},
    {"advise"},
    {"report"},
    {"kit"},
    {"survey"},
    {"cli"},
]
RANK = {name: row for row, names in enumerate(ROWS) for name in names}
STANDARD_AND_ALLOWED = {"numpy", "tomlkit", "pydyf", "scatterproof"}


def modules():
    return sorted(p for p in ENGINE.rglob("*.py") if p.parent != ENGINE or p.name not in ("__init__.py", "__main__.py"))


def imported(path):
    """(top name inside the engine, or None) and (outside package) of every import in a file."""
    package = path.relative_to(ENGINE).parts[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.level:
            base = package[: len(package) - node.level + 1]
            target = [*base, *(node.module.split(".") if node.module else [])]
            yield from ([target[0]] if target else [alias.name for alias in node.names])
        elif isinstance(node, ast.ImportFrom):
            yield node.module or ""
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(ENGINE)))
def test_imports_point_up(path):
    own = path.relative_to(ENGINE).parts[0].removesuffix(".py")
    for name in imported(path):
        if name in RANK and name != own:
            assert RANK[name] < RANK[own], f"{path.name} in {own} must not import {name}"


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(ENGINE)))
def test_the_engine_knows_only_numpy_and_the_standard_library(path):
    for name in imported(path):
        top = name.split(".")[0]
        # by choice and late: Blender for the verbs that need it, a cluster for proving hundreds of shots
        late_import = (top == "scatterproof_addon" and "cli" in path.parts) or (top == "dask" and "prove" in path.parts)
        own_front = top.startswith("__")  # __version__ and the like, from the package itself
        known = own_front or top in RANK or top in STANDARD_AND_ALLOWED or top in sys.stdlib_module_names
        assert known or late_import, f"{path.name} imports {name}"


def test_every_folder_has_its_row():
    folders = {p.name for p in ENGINE.iterdir() if p.is_dir() and not p.name.startswith("__") and p.name != "templates"}
    assert folders <= set(RANK)
