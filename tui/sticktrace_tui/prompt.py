"""The line at the foot that asks for words: a selection, a note, a file name."""

from __future__ import annotations

from collections.abc import Callable

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.widgets import Input

from sticktrace_tui.chrome import Band

Done = Callable[[str | None], None]
Live = Callable[[str], None]


class Prompt(Horizontal):
    """Hidden until `ask`. Enter gives the words, Esc gives None; ``live`` gets them as they are typed."""

    DEFAULT_CSS = """
    Prompt { height: 1; display: none; }
    Prompt.asking { display: block; }
    Prompt Input { width: 1fr; height: 1; border: none; padding: 0; background: $surface; color: $foreground; }
    Prompt Input:focus { border: none; }
    """

    def compose(self) -> ComposeResult:
        yield Band()
        entry = Input(select_on_focus=False)
        entry.cursor_blink = False
        yield entry

    def ask(self, what: str, words: str, done: Done, live: Live | None = None) -> None:
        """Ask for words, beginning with some."""
        self._done: Done = done
        self._live: Live | None = None
        label = self.query_one(Band)
        label.say([(f" {what}: ", "head")])
        label.styles.width = len(what) + 3
        entry = self.query_one(Input)
        with entry.prevent(Input.Changed):
            entry.value = words
        entry.cursor_position = len(words)
        self._live = live
        self.add_class("asking")
        entry.focus()

    def _end(self, words: str | None) -> None:
        self.remove_class("asking")
        self._done(words)

    def on_input_changed(self, event: Input.Changed) -> None:
        event.stop()
        if self._live is not None and self.has_class("asking"):
            self._live(event.value)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        self._end(event.value)

    def on_key(self, event: events.Key) -> None:
        if event.key == "escape":
            event.stop()
            event.prevent_default()
            self._end(None)
