"""`sticktrace patterns`: how lines of text are read, and trying patterns of one's own."""

from __future__ import annotations

import sys

import click

from sticktrace.cli.common import echo_all, patterns_file, patterns_option


@click.command("patterns")
@click.argument("name", required=False)
@click.option("--try", "line", metavar="LINE", help="Say what is read in this line.")
@patterns_option
def command(name: str | None, line: str | None) -> None:
    """List the patterns by which lines of consoles and logs are read, or explain the one called NAME.

    With --patterns those of your file come first; a mistake in it is told with its place.

    Exit status 1 when no pattern reads the line to try, else 0.

    \b
    Examples:
      sticktrace patterns
      sticktrace patterns "driver: moved"
      sticktrace patterns --try "on EP 81 with 13 bytes: OK"
      sticktrace patterns --patterns my.toml --try "pipe 2 done, 13 bytes"
    """
    from sticktrace.capture.line_patterns import LinePatterns

    patterns = LinePatterns(patterns_file())
    if line is not None:
        said = list(patterns.try_line(line))
        echo_all(iter(said or ["no pattern reads this line"]))
        sys.exit(0 if said else 1)
    echo_all(patterns.explain(name) if name else patterns.listing())
