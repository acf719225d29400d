"""The shell of the application: its pages, the lines around them, and the worker that reads the capture."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from textual import work
from textual.app import App, ComposeResult
from textual.containers import Vertical
from textual.message import Message
from textual.widget import Widget
from textual.widgets import ContentSwitcher
from textual.worker import get_current_worker

from sticktrace import SticktraceError, bytes_in_words, count_of
from sticktrace_tui import devices_page, help_page, rows, verdict_page
from sticktrace_tui.arrange import NOTHING
from sticktrace_tui.cells import Line
from sticktrace_tui.chrome import Band, KeyLine, TopLine
from sticktrace_tui.compare_page import ComparePage
from sticktrace_tui.detail_view import DetailView
from sticktrace_tui.keys import NAMES, bindings
from sticktrace_tui.line_view import LineView
from sticktrace_tui.marks import Marks
from sticktrace_tui.model import FOLLOWING, OPENING, READING, STOPPED, UNREADABLE, Logs, Model
from sticktrace_tui.pages import Goal, TextPage
from sticktrace_tui.palette import THEME, bar
from sticktrace_tui.prompt import Prompt
from sticktrace_tui.sectors_page import SectorsPage
from sticktrace_tui.table_view import TableHead, TableView
from sticktrace_tui.timing_page import TimingPage
from sticktrace_tui.view import View

UNREADABLE_EXIT = 3


class Grew(Message):
    """The worker has read on. Only one is under way at a time."""


class Shell(App[str]):
    """Pages over one capture. What keys do is `ScreenApp`'s."""

    CSS = """
    Screen { background: $background; color: $foreground; }
    ContentSwitcher { height: 1fr; }
    #exchanges { height: 1fr; }
    #sentence { height: 2; }
    #foot { height: auto; dock: bottom; }
    """
    BINDINGS = bindings()
    ENABLE_COMMAND_PALETTE = False

    def __init__(
        self, path: str, follow: bool = False, against: str = "", grows: Callable[[], bool] = lambda: True,
        first_page: str = "verdict", logs: Logs = (), teach: bool = False,
    ) -> None:  # fmt: skip
        super().__init__()
        self.model = Model(path, follow, grows, logs)
        self.view = View(self.model)
        self.marks = Marks(path)
        self.against = against
        self.teaching = False
        self.warned = False
        self._teach_at_once = teach
        self.page = "exchanges" if teach else first_page
        self.remark = ""
        self._growing = False
        self._laid_out: tuple[object, ...] = ()
        self._pause_until = 0.0

    # -- building ------------------------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        yield TopLine(Path(self.model.path).name or self.model.path)
        with ContentSwitcher(initial=self.page):
            yield TextPage(lambda width: verdict_page.build(self.model, width), id="verdict")
            with Vertical(id="exchanges"):
                yield TableHead()
                yield TableView(self.view, self.marks, id="table")
                yield Band(id="sentence")
            yield DetailView(self.model, id="detail")
            yield TextPage(lambda width: devices_page.build(self.model, width), id="devices")
            yield SectorsPage(self.model, id="sectors")
            yield TimingPage(self.model, id="timing")
            yield ComparePage(self.model, self.against, id="compare")
            yield TextPage(help_page.build, id="help")
        with Vertical(id="foot"):
            yield Prompt()
            yield Band(id="status")
            yield KeyLine()

    def on_mount(self) -> None:
        self.register_theme(THEME)
        self.theme = THEME.name
        try:
            self.marks.load()
        except SticktraceError as error:
            self.remark = str(error)
        self.show_page(self.page)
        if self._teach_at_once:
            self.call_later(self.run_action, "teach")
        self.read_capture()

    @work(thread=True, exclusive=True, group="reading")
    def read_capture(self) -> None:
        """Read the capture in a thread of its own."""
        worker = get_current_worker()

        def grew() -> None:
            if worker.is_cancelled:
                self.model.stop()
            if not self._growing:
                self._growing = True
                self.post_message(Grew())

        self.model.run(grew, lambda change: self.call_from_thread(self._swap, change))
        self._growing = True
        self.post_message(Grew())

    def _swap(self, change: Callable[[], None]) -> None:
        """What was read so far turns out to be another form: begin with nothing."""
        change()
        self.view.lines, self.view.at = NOTHING, 0
        self.view.refresh()
        self.query_one(DetailView).forget()

    def on_unmount(self) -> None:
        self.model.close()

    # -- growth --------------------------------------------------------------------------------------------------

    def on_grew(self, _message: Grew) -> None:
        """Show what has come; not so often that it takes more than a small part of the time."""
        self._growing = False
        now = time.monotonic()
        if self.model.busy and now < self._pause_until:
            self.set_timer(self._pause_until - now, self._catch_up)
            self._growing = True
            return
        self._catch_up()

    def _catch_up(self) -> None:
        self._growing = False
        if not self.query("#status"):
            return  # the application is going down
        if self.model.state == UNREADABLE:
            self.exit(self.model.error, UNREADABLE_EXIT)
            return
        start = time.monotonic()
        size = (len(self.model), len(self.model.woven), self.model.state, id(self.model.watchers.so_far))
        if size != self._laid_out:
            grown = size[:2] != self._laid_out[:2]
            self._laid_out = size
            if grown:
                at_end = len(self.view) > 1 and self.view.at == len(self.view) - 1 and self.model.follow
                self.view.refresh()
                if at_end:
                    self.view.at = len(self.view) - 1
                self.query_one(TableView).follow_view()
            self.renew_page()
        self.say_status()
        self._pause_until = time.monotonic() + max(0.1, 15 * (time.monotonic() - start))

    def renew_page(self) -> None:
        """Make the page in view anew, where it depends on the whole capture."""
        page = self.query_one(f"#{self.page}", Widget)
        if isinstance(page, TextPage | SectorsPage | TimingPage | ComparePage):
            page.rebuild()

    def say_status(self) -> None:
        """The line above the keys: how the reading goes and what is selected."""
        model, view = self.model, self.view
        line: Line = [(f" {count_of(len(model), 'exchange')}", "strong")]
        if model.state in (OPENING, READING) and model.all_bytes:
            share = model.done_bytes / model.all_bytes
            line.append((f"  {model.state} {share:4.0%} of {bytes_in_words(model.all_bytes)} ", "warn"))
            line.append((bar(share, 10), "bar"))
        elif model.state in (OPENING, READING, FOLLOWING, STOPPED):
            line.append((f"  {model.state}{'…' if model.busy else ', not all was read'}", "warn"))
        if view.words:
            line.append((f"  {view.words} → {view.chosen:,}", "head"))
        if view.trouble:
            line.append((f"  {view.trouble}", "warn"))
        if self.teaching:
            line.append(("  teaching: meanings kept back", "head"))
        if self.marks.unsaved:
            line.append(("  marks not saved (S)", "quiet"))
        if self.remark or model.error:
            line.append((f"  {self.remark or model.error}", "warn"))
        self.query_one("#status", Band).say(line)

    def tell(self, remark: str) -> None:
        """A remark in the status line, until the next one."""
        self.remark = remark
        self.say_status()

    # -- pages ---------------------------------------------------------------------------------------------------

    def show_page(self, name: str) -> None:
        """Bring a page to the front."""
        self.page = name
        self.query_one(ContentSwitcher).current = name
        self.query_one(TopLine).show(name)
        self.query_one(KeyLine).show(name)
        target = self.query_one("#table" if name == "exchanges" else f"#{name}", Widget)
        target.focus()
        if name == "detail" and self.query_one(DetailView).code is None and self.view.code is not None:
            self.query_one(DetailView).show(self.view.code, self.teaching)
        self.call_after_refresh(self.renew_page)
        self.say_status()

    def action_page(self, number: int) -> None:
        self.remark = ""
        self.show_page(NAMES[number - 1])

    def go(self, goal: Goal) -> None:
        """Follow a line of a page."""
        if goal.words:
            self.view.select(goal.words)
            self.query_one(TableView).follow_view()
            self.show_page("exchanges")
        elif self.view.go_to(goal.code):
            self.query_one(TableView).follow_view()
            self.query_one(DetailView).show(goal.code, self.teaching)
            self.show_page("detail")

    def on_text_page_follow(self, message: TextPage.Follow) -> None:
        self.go(message.goal)

    def on_sectors_page_looked(self, message: SectorsPage.Looked) -> None:
        self.tell(message.words)

    def on_line_view_opened(self, message: LineView.Opened) -> None:
        if self.page == "exchanges" and self.view.code is not None:
            self.query_one(DetailView).show(self.view.code, self.teaching)
            self.show_page("detail")

    def on_line_view_moved(self, _message: LineView.Moved) -> None:
        self.say_sentence()

    def say_sentence(self) -> None:
        """The item under the cursor in full, below the table."""
        view, table = self.view, self.query_one(TableView)
        band = self.query_one("#sentence", Band)
        if view.code is None:
            band.say([("  no exchange" + (" is selected" if view.words else " so far"), "quiet")])
            return
        size, repeats = int(view.lines.sizes[view.at]), int(view.lines.repeats[view.at])
        line = rows.sentence(self.model, view.code, size, repeats, table.hidden(view.code))
        if note := self.marks.notes.get(view.code, ""):
            line.insert(0, (f"note: {note}  ", "head"))
        band.say(*rows.broken(line, self.size.width - 1, 2))
