"""Build the extension: ``python addon/build_extension.py [--out DIR]``.

Puts the engine, with the templates inside, into a wheel whose version is new for every build (Blender keeps an
installed wheel whose version it knows), lists it in the manifest of a staged copy, and lets Blender's own extension
tool validate the result and make the zip. Needs pip, and the ``blender`` extra (bpy) or a Blender: the one that the
variable SCATTERPROOF_BLENDER names, or the one on the path.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from importlib.util import find_spec
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
CACHES = shutil.ignore_patterns("__pycache__", "*.pyc")
TRAVEL_ALONG = ("tomlkit", "pydyf")  # pure Python, without dependencies; unmodified from the package index

ENGINE_PROJECT = """\
[build-system]
requires = ["hatchling>=1.24"]
build-backend = "hatchling.build"

[project]
name = "scatterproof"
version = "{version}"
description = "The engine of the Scatterproof extension"
license = "GPL-3.0-or-later"
requires-python = ">=3.11"
"""


def main(arguments: list[str] | None = None) -> int:
    """Build, and print where the zip is. Exit status 0 done, 2 a step failed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=ROOT / "dist", help="folder for the zip; default: dist")
    options = parser.parse_args(arguments)
    stamp = time.strftime("%Y%m%d%H%M%S", time.gmtime()) + f"{time.time_ns() // 1_000_000 % 1000:03d}"
    try:
        with tempfile.TemporaryDirectory() as folder:
            zip_path = build(Path(folder), options.out.resolve(), stamp)
    except FileNotFoundError as error:
        print(f"{error.filename}: not found; install the blender extra or name a Blender", file=sys.stderr)
        return 2
    except subprocess.CalledProcessError as error:
        print(f"{' '.join(map(str, error.cmd))}\n{error.stdout or ''}{error.stderr or ''}", file=sys.stderr)
        return 2
    print(zip_path)
    return 0


def build(work: Path, out: Path, stamp: str) -> Path:
    """Stage and validate in ``work``; returns the zip, in ``out``. Raises CalledProcessError with what was said."""
    staged = work / "scatterproof_addon"
    shutil.copytree(ROOT / "addon" / "scatterproof_addon", staged, ignore=CACHES)
    for name in ("LICENSE", "README.md"):  # the help panel reads the latter
        shutil.copy(ROOT / name, staged)
    wheels = staged / "wheels"
    _pip("wheel", "--no-deps", "-w", wheels, _engine_project(work / "engine", stamp))
    _pip("download", "--no-deps", "--only-binary=:all:", "-d", wheels, *TRAVEL_ALONG)
    manifest = staged / "blender_manifest.toml"
    listed = ",\n".join(f'  "./wheels/{wheel.name}"' for wheel in sorted(wheels.glob("*.whl")))
    text = manifest.read_text(encoding="utf-8")
    manifest.write_text(text.replace("wheels = []", f"wheels = [\n{listed},\n]"), encoding="utf-8")
    out.mkdir(parents=True, exist_ok=True)
    extension_tool("validate", str(staged))
    zip_path = out / f"scatterproof-{_quoted('version', text)}.zip"
    extension_tool("build", "--source-dir", str(staged), "--output-filepath", str(zip_path))
    return zip_path


def _engine_project(folder: Path, stamp: str) -> Path:
    """A project of the engine alone, stamped: ``scatterproof.build_stamp`` tells which build runs."""
    package = folder / "scatterproof"
    shutil.copytree(ROOT / "engine" / "scatterproof", package, ignore=CACHES)
    shutil.copytree(ROOT / "templates", package / "templates")
    front = package / "__init__.py"
    text = front.read_text(encoding="utf-8")
    version = f"{_quoted('__version__', text)}.dev{stamp}"
    front.write_text(text.replace('build_stamp = ""', f'build_stamp = "{stamp}"'), encoding="utf-8")
    (folder / "pyproject.toml").write_text(ENGINE_PROJECT.format(version=version), encoding="utf-8")
    return folder


def _quoted(name: str, text: str) -> str:
    """The text that a line ``name = "..."`` assigns."""
    found = re.search(rf'^{name} = "(.+)"$', text, re.M)
    if not found:
        raise LookupError(name)
    return found[1]


def _pip(*words: object) -> None:
    _run(sys.executable, "-m", "pip", "-q", "--disable-pip-version-check", *map(str, words))


def extension_tool(*words: str) -> None:
    """Blender's own ``extension`` command: of the named Blender, else of the bpy module, else of one on the path."""
    blender = os.environ.get("SCATTERPROOF_BLENDER")
    if not blender and find_spec("bpy"):
        where = "import bpy; print(bpy.utils.resource_path('LOCAL'))"
        found = subprocess.run([sys.executable, "-c", where], capture_output=True, text=True, check=True)
        tool = Path(found.stdout.strip().splitlines()[-1]) / "scripts/addons_core/bl_pkg/cli/blender_ext.py"
        _run(sys.executable, str(tool), *words)
        return
    _run(blender or shutil.which("blender") or "blender", "--command", "extension", *words)


def _run(*words: str) -> None:
    subprocess.run(words, capture_output=True, text=True, check=True)


if __name__ == "__main__":
    raise SystemExit(main())
