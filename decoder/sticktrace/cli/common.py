"""What the verbs share: opening with a progress bar, colours with a plain fallback, damage on standard error."""

from __future__ import annotations

import os
import re
import shutil
import stat
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

_PATTERNS, _UNREAD = "sticktrace.patterns", "sticktrace.unread"
_LOGS, _OFFSETS = "sticktrace.logs", "sticktrace.offsets"


def _keep_patterns(context: click.Context, _option: click.Parameter, path: str | None) -> None:
    context.meta[_PATTERNS] = path or ""


patterns_option = click.option(
    "--patterns", metavar="FILE", expose_value=False, callback=_keep_patterns,
    help="Read lines of text by the patterns in this file first (docs/hex-text.md).",
)  # fmt: skip
"""Takes a file of patterns for whatever `opened` opens."""


def patterns_file() -> str:
    """The file of patterns given to this command, "" for none."""
    found: str = click.get_current_context().meta.get(_PATTERNS, "")
    return found


def _keep_unread(context: click.Context, _option: click.Parameter, wanted: bool) -> None:
    context.meta[_UNREAD] = wanted


unread_option = click.option(
    "--unread", is_flag=True, expose_value=False, callback=_keep_unread,
    help="Show the lines of a text that were not understood.",
)  # fmt: skip
"""Lets `report_damage` show them."""


def capture_argument(verb: Callable[..., Any]) -> Callable[..., Any]:
    """The capture that a verb reads, how its lines are read, and whether those that were not understood are shown."""
    return click.argument("capture", metavar="CAPTURE")(patterns_option(unread_option(verb)))


def _keep_logs(context: click.Context, _option: click.Parameter, paths: tuple[str, ...]) -> None:
    context.meta[_LOGS] = paths


def _keep_offsets(context: click.Context, _option: click.Parameter, offsets: tuple[float, ...]) -> None:
    context.meta[_OFFSETS] = offsets


def log_options(verb: Callable[..., Any]) -> Callable[..., Any]:
    """Takes logs that are woven into whatever `opened` opens."""
    with_log = click.option(
        "--log", metavar="FILE", multiple=True, expose_value=False, callback=_keep_logs,
        help="Weave what this log says between the traffic. May be given again.",
    )  # fmt: skip
    with_offset = click.option(
        "--offset", metavar="SECONDS", type=float, multiple=True, expose_value=False, callback=_keep_offsets,
        help="What the times in the log lack of those of CAPTURE; found out where not given. For each --log in turn.",
    )  # fmt: skip
    return with_log(with_offset(verb))


def logs_given() -> list[tuple[str, float | None]]:
    """The logs given to this command, each with its offset in seconds."""
    meta = click.get_current_context().meta
    logs, offsets = meta.get(_LOGS, ()), meta.get(_OFFSETS, ())
    if len(offsets) > len(logs):
        raise click.UsageError("--offset is the clock of a --log: give both")
    if not all(abs(offset) < 1e11 for offset in offsets):
        raise click.UsageError("--offset is a number of seconds")
    return [(path, offsets[at] if at < len(offsets) else None) for at, path in enumerate(logs)]


words_argument = click.argument("words", nargs=-1, metavar="[KEY:VALUE]...")


class Selecting(click.Command):
    """A verb that takes selection words. One that is turned round, ``-command:read``, is no option."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        end = args.index("--") if "--" in args else len(args)
        turned = [word for word in args[:end] if _TURNED.match(word)]
        rest = [word for word in args[:end] if not _TURNED.match(word)]
        return super().parse_args(ctx, [*rest, "--", *turned, *args[end + 1 :]] if turned else args)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        words = next(param for param in self.params if param.name == "words")
        return super().shell_complete(ctx, incomplete) + words.shell_complete(ctx, incomplete)


_TURNED = re.compile(r"-[a-z]+:")

_COLOURS = {
    "good": {"fg": "green"},
    "bad": {"fg": "red", "bold": True},
    "warn": {"fg": "yellow"},
    "quiet": {"dim": True},
    "head": {"bold": True},
    "strong": {"bold": True},
    "byte": {"bold": True},
    "mark": {"fg": "magenta"},
}
_BAR_AFTER = 8 << 20


def coloured() -> bool:
    """Whether to write colour: as --color says, else on a terminal where NO_COLOR is not set."""
    from sticktrace.cli.main import COLOUR

    context = click.get_current_context(silent=True)
    when = context.meta.get(COLOUR, "auto") if context is not None else "auto"
    return when == "always" or (when == "auto" and sys.stdout.isatty() and not os.environ.get("NO_COLOR"))


def style(text: str, mood: str) -> str:
    """Text in the colour of a mood, or as it is."""
    how = _COLOURS.get(mood)
    return click.style(text, **how) if how and coloured() else text  # type: ignore[arg-type]


def width() -> int:
    """Columns of the terminal; 0 in a pipe, which means no limit."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else 0


def is_there(word: str) -> bool:
    """Whether a word names something that exists; a word that no file can be named is just none."""
    try:
        return Path(word).exists()
    except (OSError, ValueError):
        return False


@contextmanager
def opened(path: str) -> Iterator[Any]:
    """A `Capture`, with a progress bar on standard error while a long one is read on a terminal."""
    from sticktrace.timeline import open as open_capture

    bar, logs = _Bar(), logs_given()
    try:
        with open_capture(path, bar, patterns_file()) as capture:
            if logs:
                add_logs(capture, logs)
            yield capture
    finally:
        bar.close()


def add_logs(capture: Any, logs: list[tuple[str, float | None]]) -> None:
    """Put logs beside a capture."""
    from sticktrace.timeline import add_log

    for path, offset in logs:
        add_log(capture, path, offset, patterns_file())


def _is_pipe(stream: Any) -> bool:
    try:
        return stat.S_ISFIFO(os.fstat(stream.fileno()).st_mode)
    except (OSError, ValueError, AttributeError):
        return False


class _Bar:
    """A progress bar that appears only for long captures on a terminal."""

    def __init__(self) -> None:
        self._bar: Any = None
        # A pager would draw over it: what goes through a pipe has none.
        self._shown = sys.stderr.isatty() and not _is_pipe(sys.stdout)

    def __call__(self, done: int, total: int) -> None:
        if not self._shown or total < _BAR_AFTER:
            return
        if self._bar is None:
            self._bar = click.progressbar(length=total, label="reading", file=sys.stderr)
            self._bar.__enter__()
        self._bar.update(max(0, done - self._bar.pos))
        if done >= total:
            self.close()

    def close(self) -> None:
        """Take the bar away."""
        if self._bar is not None:
            self._bar.render_finish()
            self._bar = None
            self._shown = False


def labelled(items: Iterable[Any], reading: Any) -> Iterator[tuple[Any, str]]:
    """The exchanges among the items of a pass, each with what its blocks are on the volume at that time."""
    from sticktrace.transport.items import Exchange
    from sticktrace.volume.tracker import VolumeTracker

    volumes = VolumeTracker(reading.read)
    for item in items:
        if isinstance(item, Exchange):
            yield item, volumes.feed(item)


def report_damage(reading: Any, name: str) -> None:
    """One line on standard error for each damaged place and each thing taken for granted, after everything readable
    was shown."""
    from sticktrace.text import safe

    for sentence in reading.assumed:
        click.echo(f"sticktrace: {safe(name)}: note: {safe(sentence)}", err=True)
    for damage in reading.damage:
        click.echo(f"sticktrace: {safe(name)}: {damage}", err=True)
    if click.get_current_context().meta.get(_UNREAD):
        _report_unread(reading.reader, name)


def _report_unread(reader: Any, name: str) -> None:
    """The lines of a text that were not understood, on standard error."""
    from sticktrace.text import safe

    lines = reader.unread.listing() if reader.is_text else iter(["--unread is for text; this is none"])
    click.echo(f"sticktrace: {safe(name)}: {next(lines)}", err=True)
    for line in lines:
        click.echo(line, err=True)


def echo_all(lines: Iterator[str]) -> None:
    """Write lines as they come, wrapped to the terminal where there is one."""
    from sticktrace.text import wrapped

    write: Callable[[str], Any] = sys.stdout.write
    columns = width()
    for line in lines:
        for piece in wrapped(line, columns):
            write(piece + "\n")
