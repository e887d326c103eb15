"""What the director is shown: what must stay in frame, as a contact sheet, and as names beside the rings."""

from __future__ import annotations

from collections.abc import Generator
from pathlib import Path

import bpy
from scatterproof.advise.critical import Critical, critical_in
from scatterproof.plan.write import save_text
from scatterproof.problems import one_problem
from scatterproof.readiness.rehearse import Progress
from scatterproof.report.director import director_sheet

from ..overlay.live import LIVES
from ..store import STORE
from .staging import look, rehearse_scene

SHEET = "//what-must-stay.html"


def sheet_path(text: str) -> Path:
    """Where a sheet goes. Raises BadInput for a place beside a .blend that was never saved."""
    if text.startswith("//") and not bpy.data.filepath:
        raise one_problem("file", text, "a place of its own, or a saved .blend for the sheet to lie beside")
    return Path(bpy.path.abspath(text)).with_suffix(".html")


def write_sheet(scene: bpy.types.Scene, path: Path) -> Generator[Progress, None, None]:
    """Ask of every shot what its verdicts hang on, rehearsing it first where need be; then write the sheet.

    Until then nothing is written; the names beside the rings come with it.
    """
    seen = yield from look(scene)
    if not STORE.holds(scene, seen.digest):
        yield from rehearse_scene(scene)
    found: dict[str, tuple[Critical, ...]] = {}
    for rehearsal in STORE.last(scene):
        steps = critical_in(rehearsal, single=False)
        while True:
            try:
                step = next(steps)
            except StopIteration as end:
                found[rehearsal.shot.name] = end.value
                break
            yield Progress(step.what, step.done, step.total)
    save_text(path, director_sheet([(r, found[r.shot.name]) for r in STORE.last(scene)], seen.plan.name))
    live = LIVES.of(scene)
    if live is not None:
        live.name_critical(scene, found)
