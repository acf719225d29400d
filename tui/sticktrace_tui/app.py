"""The application: what every key does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from sticktrace import SticktraceError
from sticktrace_tui import export
from sticktrace_tui.detail_view import DetailView
from sticktrace_tui.prompt import Prompt
from sticktrace_tui.sectors_page import SectorsPage
from sticktrace_tui.shell import Shell
from sticktrace_tui.table_view import TableView


class ScreenApp(Shell):
    """The terminal screen over one capture. `run` returns an error line when the capture cannot be read."""

    # -- actions of the table --------------------------------------------------------------------------------------

    def _on_table(self, change: Callable[[], object], failed: str = "") -> None:
        if self.page not in ("exchanges", "detail"):
            return
        self.remark = ""
        if change() is False and failed:
            self.tell(failed)
            return
        self.query_one(TableView).follow_view()
        if self.page == "detail" and self.view.code is not None:
            self.query_one(DetailView).show(self.view.code, self.teaching)
        self.say_status()

    def action_fold(self) -> None:
        self._on_table(self.view.toggle_fold, "nothing is folded here")

    def action_fold_all(self) -> None:
        self._on_table(self.view.toggle_all)

    def action_requests(self) -> None:
        self._on_table(self.view.cycle_requests)
        self.tell(f"control requests are {self.view.requests}")

    def action_fault(self, step: int) -> None:
        self._on_table(lambda: self.view.next_fault(step > 0), "no fault in that direction")

    def action_command(self, step: int) -> None:
        self._on_table(lambda: self.view.next_same_command(step > 0), "no exchange of this command in that direction")

    def action_lba(self, step: int) -> None:
        self._on_table(lambda: self.view.next_same_lba(step > 0), "no exchange at these blocks in that direction")

    def action_step(self, step: int) -> None:
        self._on_table(lambda: self.view.step(step), "this is the last one in that direction")

    def action_mark(self) -> None:
        if self.page in ("exchanges", "detail") and self.view.code is not None:
            self.marks.toggle(self.view.code)
            self._on_table(lambda: None)

    def action_next_mark(self) -> None:
        self._on_table(lambda: self.view.next_of(list(self.marks.notes)), "no mark after this one")

    def action_save_marks(self) -> None:
        try:
            self.tell(f"marks saved in {self.marks.save()}")
        except SticktraceError as error:
            self.tell(str(error))

    # -- teaching --------------------------------------------------------------------------------------------------

    def action_teach(self) -> None:
        self.teaching = not self.teaching
        table, detail = self.query_one(TableView), self.query_one(DetailView)
        table.teaching = self.teaching
        table.revealed.clear()
        detail.hand.secret = self.teaching
        detail.hand.asked.clear()
        table.renew()
        detail.draw()
        self.say_sentence()
        self.say_status()

    def action_reveal(self) -> None:
        if self.page == "detail":
            self.query_one(DetailView).reveal()
        elif self.page == "exchanges" and self.view.code is not None:
            self.query_one(TableView).revealed.add(self.view.code)
            self._on_table(lambda: None)

    def action_reveal_all(self) -> None:
        if self.page == "detail":
            self.query_one(DetailView).reveal(all_of_it=True)

    def on_detail_view_asked(self, message: DetailView.Asked) -> None:
        self.query_one(TableView).revealed.add(message.code)

    # -- the rest --------------------------------------------------------------------------------------------------

    def action_unit(self) -> None:
        if self.page == "sectors":
            self.query_one(SectorsPage).next_unit()

    def action_stop_reading(self) -> None:
        if not self.model.busy:
            self.tell("all was read: there is nothing to stop")
            return
        self.model.stop()
        self.tell("stopped by hand")

    def action_leave(self) -> None:
        """Ends; marks that are not saved are asked for once."""
        if self.marks.unsaved and not self.warned:
            self.warned = True
            self.tell("marks are not saved: S saves them, q once more leaves without")
            return
        self.model.stop()
        self.exit(None)

    async def action_back(self) -> None:
        if self.page == "exchanges" and self.view.words:
            self.view.select("")
            self.query_one(TableView).follow_view()
            self.say_status()
        elif self.page in ("detail", "help"):
            self.show_page("exchanges")

    def action_select(self) -> None:
        if self.page != "exchanges":
            self.show_page("exchanges")
        before = self.view.words

        def live(words: str) -> None:
            self.view.select(words)
            self.query_one(TableView).follow_view()
            self.say_status()

        def done(words: str | None) -> None:
            live(before if words is None else words)
            self.view.trouble = ""
            self.show_page("exchanges")

        self.query_one(Prompt).ask("select", before, done, live)

    def action_note(self) -> None:
        code = self.view.code
        if code is None or self.page not in ("exchanges", "detail"):
            return

        def done(note: str | None) -> None:
            if note is not None:
                self.marks.write(code, note)
            self.show_page(self.page)
            self._on_table(lambda: None)

        self.query_one(Prompt).ask("note", self.marks.notes.get(code, ""), done)

    def action_export(self) -> None:
        name = f"{Path(self.model.path).stem or 'capture'}-{self.page}.svg"
        page = export.of_screen(self)

        def done(path: str | None) -> None:
            self.show_page(self.page)
            if path:
                self.tell(export.write(page, path))

        self.query_one(Prompt).ask("write to (.svg or .txt)", name, done)
