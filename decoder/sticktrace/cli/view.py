"""`sticktrace view`: a capture on a full screen."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Thread

import click

from sticktrace.cli.common import is_there, log_options, logs_given
from sticktrace.errors import SticktraceError

_CHUNK = 1 << 16


@click.command("view")
@click.argument("capture", metavar="CAPTURE")
@click.option("--follow", is_flag=True, help="Keep reading while CAPTURE grows, until you leave.")
@click.option("--against", type=click.Path(exists=True, dir_okay=False), help="A second capture for the compare page.")
@log_options
def command(capture: str, follow: bool, against: str | None) -> None:
    """Read CAPTURE on a full screen: verdict, exchanges, every byte of each, devices, sectors, timing.

    Everything works by keyboard; the keys stand in the last lines, ? explains them. "-" shows what comes
    through a pipe while it comes. Colours obey NO_COLOR.

    \b
    Examples:
      sticktrace view stick.pcap
      sticktrace view --follow growing.pcap
      sticktrace view good.pcap --against bad.pcap
    """
    logs = logs_given()
    if logs and (follow or capture == "-"):
        raise click.UsageError("a log is woven into a capture that is whole: leave out --follow, and - for a pipe")
    if not sys.stdout.isatty():
        raise click.UsageError("view needs a terminal; in a pipe use `sticktrace exchanges` or `sticktrace diagnose`")
    try:
        from sticktrace_tui import run
    except ImportError as error:
        raise click.ClickException(f"the screen cannot be loaded: {error}") from error
    if capture == "-":
        with _spooled() as copying:
            status, trouble = run(copying.spool.file.name, True, against or "", copying.is_alive)
            trouble = trouble or copying.trouble
    else:
        if not is_there(capture):
            raise click.UsageError(f"{capture!r} does not exist")
        status, trouble = run(capture, follow, against or "", logs=logs)
    if trouble:
        click.echo(f"sticktrace: {trouble}", err=True)
    if status:
        sys.exit(status)


@contextmanager
def _spooled() -> Iterator[_Copying]:
    """Standard input copied into a file as it comes; the keyboard is then read from the terminal itself."""
    if sys.stdin.isatty():
        raise click.UsageError('"-" reads a pipe, and standard input is a terminal')
    pipe = os.dup(sys.stdin.fileno())
    try:
        keyboard = os.open("/dev/tty", os.O_RDWR)
    except OSError as error:
        raise click.ClickException(f"no terminal to read keys from: {error.strerror}") from error
    os.dup2(keyboard, sys.stdin.fileno())
    os.close(keyboard)
    copying = _Copying(pipe)
    with copying.spool.file:
        copying.start()
        yield copying


class _Copying(Thread):
    """Copies a pipe into a temporary file until the pipe ends, or the space does: ``trouble`` says so."""

    def __init__(self, pipe: int) -> None:
        from sticktrace.writing.scratch import Scratch

        super().__init__(daemon=True)
        self.spool, self.trouble, self._pipe = Scratch(suffix=".capture"), "", pipe

    def run(self) -> None:
        try:
            while chunk := os.read(self._pipe, _CHUNK):
                self.spool.write(chunk)
        except SticktraceError as error:
            self.trouble = str(error)
        except ValueError:
            return  # the file was closed: the screen was left
