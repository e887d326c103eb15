"""The extension built once per test session, and what is in it."""

import hashlib
import io
import os
import subprocess
import sys
import tomllib
import zipfile
from base64 import urlsafe_b64encode
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def build_zip(folder: Path) -> Path:
    """Run the build command as a person would. Skips nothing: a failing build fails the tests."""
    made = subprocess.run(
        [sys.executable, ROOT / "addon" / "build_extension.py", "--out", folder],
        capture_output=True,
        text=True,
        env=without_checkout(),
    )
    assert made.returncode == 0, made.stderr
    return Path(made.stdout.strip().splitlines()[-1])


def without_checkout(**more: str) -> dict[str, str]:
    """The environment without what would let a process find the engine in the checkout."""
    return {key: value for key, value in os.environ.items() if key != "PYTHONPATH"} | more


def manifest_of(path: Path) -> dict:
    with zipfile.ZipFile(path) as archive:
        return tomllib.loads(archive.read("blender_manifest.toml").decode())


def wheels_of(path: Path) -> dict[str, zipfile.ZipFile]:
    """The wheels in the zip, by project name."""
    with zipfile.ZipFile(path) as archive:
        names = [name for name in archive.namelist() if name.endswith(".whl")]
        return {Path(n).name.split("-")[0]: zipfile.ZipFile(io.BytesIO(archive.read(n))) for n in names}


def stamp_of(path: Path) -> str:
    """The build stamp of the engine in the zip."""
    text = wheels_of(path)["scatterproof"].read("scatterproof/__init__.py").decode()
    return text.partition('build_stamp = "')[2].partition('"')[0]


def altered_files(wheel: zipfile.ZipFile) -> list[str]:
    """Files of a wheel that are not as its own RECORD says (PEP 427), by hash; missing and added ones too."""
    (record,) = (name for name in wheel.namelist() if name.endswith(".dist-info/RECORD"))
    wanted = dict(line.split(",")[:2] for line in wheel.read(record).decode().splitlines())
    wanted.pop(record)
    found = {
        name: "sha256=" + urlsafe_b64encode(hashlib.sha256(wheel.read(name)).digest()).decode().rstrip("=")
        for name in wheel.namelist()
        if name != record and not name.endswith("/")
    }
    return sorted(name for name in wanted.keys() | found.keys() if wanted.get(name) != found.get(name))
