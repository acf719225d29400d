"""`sticktrace view`: a capture on a full screen."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread

import click

from sticktrace.cli.common import capture_argument

_CHUNK = 1 << 16


@click.command("view")
@capture_argument
@click.option("--follow", is_flag=True, help="Keep reading while CAPTURE grows, until you leave.")
@click.option("--against", type=click.Path(exists=True, dir_okay=False), help="A second capture for the compare page.")
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
    if not sys.stdout.isatty():
        raise click.UsageError("view needs a terminal; in a pipe use `sticktrace exchanges` or `sticktrace diagnose`")
    try:
        from sticktrace_tui import run
    except ImportError as error:
        raise click.ClickException(f"the screen cannot be loaded: {error}") from error
    if capture == "-":
        with _spooled() as (path, copying):
            status, trouble = run(path, True, against or "", copying.is_alive)
    else:
        if not Path(capture).exists():
            raise click.UsageError(f"{capture!r} does not exist")
        status, trouble = run(capture, follow, against or "")
    if trouble:
        click.echo(f"sticktrace: {trouble}", err=True)
    if status:
        sys.exit(status)


@contextmanager
def _spooled() -> Iterator[tuple[str, Thread]]:
    """Standard input copied into a file as it comes, by a thread that ends with it; the keyboard is then read from the
    terminal itself."""
    if sys.stdin.isatty():
        raise click.UsageError('"-" reads a pipe, and standard input is a terminal')
    pipe = os.dup(sys.stdin.fileno())
    try:
        keyboard = os.open("/dev/tty", os.O_RDWR)
    except OSError as error:
        raise click.ClickException(f"no terminal to read keys from: {error.strerror}") from error
    os.dup2(keyboard, sys.stdin.fileno())
    os.close(keyboard)
    with tempfile.NamedTemporaryFile(prefix="sticktrace-", suffix=".capture") as spool:
        copying = Thread(target=_copy, args=(pipe, spool.name), daemon=True)
        copying.start()
        yield spool.name, copying


def _copy(pipe: int, path: str) -> None:
    with open(pipe, "rb", buffering=0) as source, open(path, "ab", buffering=0) as out:  # noqa: PTH123
        while chunk := source.read(_CHUNK):
            out.write(chunk)
