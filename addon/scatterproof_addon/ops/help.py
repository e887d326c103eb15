"""Help: sections of the README, beside the work."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING

import bpy
from scatterproof.problems import BadInput

from .. import ids, readme
from ..bridge.stubs import Outcome

WIDE, LETTERS = 560, 92  # pixels at an interface scale of 1, and letters that fit into them


class Help(bpy.types.Operator):
    """Read this section of the README here"""

    bl_idname = ids.HELP
    bl_label = "Help"
    bl_options = {"REGISTER"}

    if TYPE_CHECKING:
        title: str
    else:
        title: bpy.props.StringProperty(
            name="Section", description="Heading in the README", default=readme.SECTIONS[0], options={"SKIP_SAVE"}
        )

    _text: tuple[str, ...] = ()

    def execute(self, context: bpy.types.Context) -> Outcome:
        """Find the section."""
        try:
            self._text = tuple(readme.section(self.title))
        except BadInput as problem:
            self.report({"ERROR"}, str(problem.problems[0]))
            return {"CANCELLED"}
        return {"FINISHED"}

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Outcome:
        """Show it."""
        if self.execute(context) == {"CANCELLED"}:
            return {"CANCELLED"}
        context.window_manager.invoke_popup(self, width=WIDE)
        return {"RUNNING_MODAL"}

    def draw(self, context: bpy.types.Context) -> None:
        """Draw it."""
        self.layout.label(text=self.title, icon="HELP")
        for paragraph in self._text:
            column = self.layout.column(align=True)
            column.scale_y = 0.75
            for line in wrap(paragraph, LETTERS):
                column.label(text=line)


CLASSES = (Help,)
