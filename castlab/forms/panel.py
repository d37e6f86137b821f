"""The page side of a form: one widget that shows fields, clocks and buttons, and reports what is typed and pressed.

It decides nothing: `castlab.forms.form` does. A widget of our own, because the ready-made ones cannot tie a message to
its field for a screen reader, count down without the kernel, or hold a button until the kernel has answered.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import anywidget
import traitlets

_TURN = threading.RLock()
"""The kernel may hand over messages in several threads; the forms take them one after another."""


def with_box(*names: str) -> str:
    """Style sheets or scripts of this folder, as one, behind the part that all views share."""
    here = Path(__file__).parent
    parts = (f"box{Path(names[0]).suffix}", *names)
    return "\n".join((here / part).read_text(encoding="utf-8") for part in parts)


class Panel(anywidget.AnyWidget):
    """One form on the page. State goes out through the traits; `when_told` gets what the person does."""

    _esm = with_box("drawing.js", "panel.js")
    _css = with_box("panel.css")

    face = traitlets.Dict().tag(sync=True)
    values = traitlets.Dict().tag(sync=True)
    notes = traitlets.Dict().tag(sync=True)
    boards = traitlets.Dict().tag(sync=True)
    ghosts = traitlets.Dict().tag(sync=True)
    clocks = traitlets.Dict().tag(sync=True)
    said = traitlets.Dict().tag(sync=True)
    kept = traitlets.Unicode().tag(sync=True)
    born = traitlets.Float().tag(sync=True)

    def __init__(self, told: Callable[[Mapping[str, Any], list[Any]], None]) -> None:
        super().__init__(born=1000 * time.time())
        self._told = told
        self.on_msg(self._receive)

    def focus(self, key: str) -> None:
        """Put the cursor into a field."""
        self.send({"focus": key})

    def _receive(self, _widget: Any, message: Mapping[str, Any], buffers: list[Any]) -> None:
        with _TURN:
            try:
                with self.hold_sync():
                    self._told(message, buffers)
            finally:
                self.send({"heard": message.get("number", 0), "view": message.get("view")})
