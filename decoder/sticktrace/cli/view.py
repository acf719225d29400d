"""`sticktrace view`: a capture on a full screen."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from sticktrace.cli.common import is_there, log_options, logs_given

if TYPE_CHECKING:
    from sticktrace.capture.live.feed import Feed


@click.command("view")
@click.argument("capture", metavar="CAPTURE")
@click.option("--follow", is_flag=True, help="Keep reading while CAPTURE grows; the verdict is that of what has come.")
@click.option("--against", type=click.Path(exists=True, dir_okay=False), help="A second capture for the compare page.")
@click.option("--teach", is_flag=True, help="Keep meanings back until they are asked for.")
@log_options
def command(capture: str, follow: bool, against: str | None, teach: bool) -> None:
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
        with _spooled() as (feed, path):
            status, trouble = run(path, True, against or "", feed.is_alive, teach=teach)
            trouble = trouble or str(feed.error or "")
    else:
        if not is_there(capture):
            raise click.UsageError(f"{capture!r} does not exist")
        status, trouble = run(capture, follow, against or "", logs=logs, teach=teach)
    if trouble:
        click.echo(f"sticktrace: {trouble}", err=True)
    if status:
        sys.exit(status)


@contextmanager
def _spooled() -> Iterator[tuple[Feed, str]]:
    """Standard input copied into a file as it comes; the keyboard is then read from the terminal itself."""
    from sticktrace.capture.live.feed import Feed
    from sticktrace.capture.live.inlets import Stream
    from sticktrace.writing.scratch import Scratch

    if sys.stdin.isatty():
        raise click.UsageError('"-" reads a pipe, and standard input is a terminal')
    pipe = os.dup(sys.stdin.fileno())
    try:
        keyboard = os.open("/dev/tty", os.O_RDWR)
    except OSError as error:
        raise click.ClickException(f"no terminal to read keys from: {error.strerror}") from error
    os.dup2(keyboard, sys.stdin.fileno())
    os.close(keyboard)
    spool = Scratch(suffix=".capture")
    feed = Feed(Stream("standard input", pipe), spool)
    with spool.file:
        feed.start()
        try:
            yield feed, spool.file.name
        finally:
            feed.stop()
