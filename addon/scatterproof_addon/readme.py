"""The README's sections, for the help panel: the zip carries the file, a checkout has it at its root."""

from __future__ import annotations

import re
from pathlib import Path

from scatterproof.problems import one_problem

HERE = Path(__file__).parent
SECTIONS = (
    "In Blender",
    "What a verdict means",
    "How far an insert slides",
    "Which paint, which shape, how sharp",
    "The plan file",
    "Care",
)


def section(title: str) -> list[str]:
    """The paragraphs below a heading, without marks that only a browser understands. Raises BadInput for none."""
    for path in (HERE / "README.md", HERE.parents[1] / "README.md"):
        if path.is_file():
            found = re.search(rf"^## {re.escape(title)}$(.*?)(?=^## |\Z)", path.read_text("utf-8"), re.M | re.S)
            if found:
                return _plain(found[1])
    raise one_problem("help", repr(title), "a section of the README that comes with the extension")


def _plain(text: str) -> list[str]:
    text = re.sub(r"^```.*?^```$", "", text, flags=re.M | re.S)  # commands are for a terminal
    text = re.sub(r"^!\[.*$|^\|[-| ]+\|$", "", text, flags=re.M)  # pictures, rules of tables
    text = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", text)
    text = re.sub(
        r"^\| *(.*?) *\|$", lambda row: "\n" + " - ".join(re.split(r" *\| *", row[1])) + "\n", text, flags=re.M
    )
    paragraphs = (re.sub(r"\s+", " ", part).strip() for part in re.split(r"\n\s*\n", text))
    return [re.sub(r"[*`]", "", part) for part in paragraphs if part]
