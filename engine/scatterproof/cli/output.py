"""What every verb shares: a progress bar on a terminal, an output folder, warnings."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import TracebackType

from ..plan.write import save_text
from ..problems import one_problem


class ProgressBar:
    """One line on standard error that overwrites itself; silent where nobody watches a terminal."""

    def __init__(self) -> None:
        self.watched = sys.stderr.isatty()

    def __enter__(self) -> ProgressBar:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.watched:
            sys.stderr.write("\r\x1b[K")

    def show(self, what: str, done: int, total: int, unit: str = "frame") -> None:
        """Show ``done`` of ``total`` frames, or whatever ``unit`` says, of ``what``."""
        if self.watched:
            width = max(10, min(40, shutil.get_terminal_size().columns - len(what) - 30))
            full = width * done // max(total, 1)
            sys.stderr.write(f"\r\x1b[K{what}  [{'#' * full}{'.' * (width - full)}] {unit} {done} of {total}")
            sys.stderr.flush()


def output_folder(wanted: Path | None, plan: Path, suffix: str) -> Path:
    """The folder results go to, made if missing: the wanted one, else one beside the plan.

    Raises BadInput where it cannot be made or is a file.
    """
    folder = wanted or plan.with_name(f"{plan.stem}-{suffix}")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise one_problem("--out", str(folder), f"a folder that can be written to ({error.strerror})") from error
    return folder


def tell_warnings(warnings: Iterable[object]) -> None:
    """Print warnings on standard error."""
    for warning in warnings:
        print(f"note: {warning}", file=sys.stderr)


def give_study(folder: Path, name: str, data: Mapping[str, object], html: str, told: str | None) -> None:
    """Write a study as ``name.json`` and ``name.html``, and print it: ``told`` and where the page is, else as JSON."""
    save_text(folder / f"{name}.json", json.dumps(data, indent=1, ensure_ascii=False) + "\n")
    save_text(folder / f"{name}.html", html)
    if told is None:
        json.dump(data, sys.stdout, ensure_ascii=False)
        print()
    else:
        print(told)
        print(f"Page: {folder / f'{name}.html'}")


def whole_number(text: str) -> int:
    """An option's value that counts something, or is a seed."""
    if not text.isdecimal() or len(text) > 9:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number from 0 to 999999999")
    return int(text)
