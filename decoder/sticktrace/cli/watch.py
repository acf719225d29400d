"""`sticktrace watch`: what happens on a bus while it happens, from whatever prints or records it."""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from sticktrace.cli.common import patterns_file, patterns_option, report_damage, style, width
from sticktrace.errors import CaptureError, SticktraceError
from sticktrace.sticks.stages import Stage

STAGES = tuple(stage.value.replace(" ", "-") for stage in Stage)
"""As they are typed."""


@click.command("watch")
@click.argument("source", metavar="SOURCE")
@patterns_option
@click.option("--baud", type=click.IntRange(min=50), help="Rate of a serial line; 115200 unless told.")
@click.option("--record", metavar="FILE", help="Keep what comes, byte for byte, in a new FILE that grows as it comes.")
@click.option("--until", type=click.Choice(STAGES), help="End when a stick has reached this stage.")
@click.option(
    "--for", "seconds", type=click.FloatRange(min=0, min_open=True), metavar="SECONDS", help="End after that."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, as it happens.")
def command(
    source: str, baud: int | None, record: str | None, until: str | None, seconds: float | None, as_json: bool
) -> None:
    """Show what happens on a bus while it happens: each exchange and event, each stage as it is reached, and the
    verdict when something fails and at the end.

    SOURCE is a file that grows, a pipe, "-" for standard input, a directory in which captures appear (read one after
    the other), the kernel's recorder (/dev/usbmon1, /sys/kernel/debug/usb/usbmon/1u), or a serial line that prints any
    of the forms of text.
    Ctrl-C ends it with the verdict.

    Exit status 0 when nothing stopped or damaged the work, 1 when something did, 3 when nothing could be read. With
    --until, 0 when the stage was reached and 1 when not.

    \b
    Examples:
      sticktrace watch /dev/ttyUSB0 --baud 115200 --record console.txt
      sticktrace watch /dev/usbmon1 --until files --for 30
      ssh board cat /sys/kernel/debug/usb/usbmon/1u | sticktrace watch -
    """
    with _ctrl_c() as asked:
        from sticktrace.cli.watching import Until
        from sticktrace.sticks.stages import Stage

        stage = Stage(until.replace("-", " ")) if until else None
        end = time.monotonic() + seconds if seconds else float("inf")
        limits = Until(stage, end, asked)
        status = (
            _folder(Path(source), record, limits, as_json)
            if _is_folder(source)
            else _one(source, baud or 0, record, limits, as_json)
        )
    if status:
        sys.exit(status)


def _is_folder(source: str) -> bool:
    try:
        return source != "-" and Path(source).is_dir()
    except (OSError, ValueError):
        return False


@contextmanager
def _ctrl_c() -> Iterator[Callable[[], bool]]:
    """Ctrl-C asks for the end, and the verdict; pressed again it stops the program as ever. A caller that wants it
    ignored, as nohup does, has it ignored."""
    asked = threading.Event()
    before = signal.getsignal(signal.SIGINT)
    ours = threading.current_thread() is threading.main_thread() and before is not signal.SIG_IGN

    def ask(_number: int, _frame: object) -> None:
        asked.set()
        signal.signal(signal.SIGINT, before)

    if ours:
        signal.signal(signal.SIGINT, ask)
    try:
        yield asked.is_set
    finally:
        if ours:
            signal.signal(signal.SIGINT, before)


@contextmanager
def _sink(record: str | None, source: str) -> Iterator[Any]:
    """Where what comes is kept: the recording, or temporary space."""
    if record is None:
        from sticktrace.writing.scratch import Scratch

        sink: Any = Scratch()
    else:
        from sticktrace.capture.source import identity_at
        from sticktrace.writing.recording import Recording

        sink = Recording(Path(record), [identity_at(source)])
    try:
        yield sink
    finally:
        sink.close()


def _one(
    source: str, baud: int, record: str | None, limits: Any, as_json: bool,
    superseded: Callable[[], bool] = lambda: False,
) -> int:  # fmt: skip
    """Watch one source to its end. Returns the exit status."""
    from sticktrace.capture.line_patterns import LinePatterns
    from sticktrace.capture.live.feed import Feed
    from sticktrace.capture.live.inlets import inlet_for
    from sticktrace.capture.source import Source
    from sticktrace.cli.watching import Watching

    patterns = LinePatterns(patterns_file()) if patterns_file() else None
    inlet, columns = inlet_for(source, baud), 0 if as_json else width()
    with _sink(record, source) as sink:
        feed = Feed(inlet, sink)
        watching = Watching(Source(inlet.name, sink.file, []), feed, _voice(as_json), limits, columns, patterns)
        try:
            diagnosis = watching.run(superseded)
        except CaptureError as error:
            raise feed.error or error from error
        reading = watching.following.reading
        sys.stdout.flush()
        report_damage(reading, inlet.name)
        if feed.error is not None:
            raise feed.error
        return _status(diagnosis, watching, limits)


def _voice(as_json: bool) -> Any:
    from sticktrace.output.watch_lines import JsonVoice, TextVoice

    return JsonVoice() if as_json else TextVoice(width(), style)


def _status(diagnosis: Any, watching: Any, limits: Any) -> int:
    from sticktrace.cli.main import EXIT_FAULT, EXIT_UNREADABLE
    from sticktrace.findings.finding import FAULT

    if limits.stage is not None:
        return 0 if watching.reached else EXIT_FAULT
    if diagnosis.worst == FAULT or watching.hangs:
        return EXIT_FAULT
    reading = watching.following.reading
    return EXIT_UNREADABLE if reading.reader.unread.count and diagnosis.says_nothing else 0


def _folder(folder: Path, record: str | None, limits: Any, as_json: bool) -> int:
    """Watch each capture that appears in a directory, one after the other. Returns the gravest exit status; with a
    stage to wait for, that of the last capture."""
    from sticktrace.capture.live.folder import NewFiles
    from sticktrace.text import safe

    if record is not None:
        raise click.UsageError("--record is for one stream of bytes; the captures of a directory are files already")
    captures, statuses, error = NewFiles(folder), set[int](), None
    for line in _voice(as_json).watching(str(folder)):
        click.echo(line)
    while not limits.over:
        path = captures.next()
        if path is None:
            time.sleep(0.1)
            continue
        try:
            status = _one(str(path), 0, None, limits, as_json, captures.waiting)
        except SticktraceError as trouble:
            error = trouble
            click.echo(f"sticktrace: {safe(str(trouble))}", err=True)
            continue
        statuses.add(status)
        if limits.stage is not None and not status:
            return 0
    if not statuses:
        raise CaptureError(f"{folder}: no capture that can be read appeared in this directory") from error
    return max(statuses)
