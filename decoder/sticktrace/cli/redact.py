"""`sticktrace redact`: a copy of a capture without what is private, and proof that it is one."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from sticktrace.cli.common import opened, patterns_option


@click.command("redact")
@click.argument("capture", metavar="IN", required=False)
@click.argument("target", metavar="OUT", required=False, type=click.Path(path_type=Path))
@click.option("--keep-names", is_flag=True, help="Leave file names and labels.")
@click.option("--keep-serials", is_flag=True, help="Leave serial numbers of devices and volumes.")
@click.option("--keep-strings", is_flag=True, help="Leave device strings and words in the container.")
@click.option("--keep-contents", is_flag=True, help="Leave file contents and other data.")
@click.option("--overwrite", is_flag=True, help="Replace OUT if it exists.")
@click.option("--verify", "copy", metavar="OUT", help="Write nothing; hold a copy against the capture it was made of.")
@click.option("--against", "original", metavar="IN", help="The capture that --verify holds OUT against.")
@patterns_option
def command(
    capture: str | None, target: Path | None, keep_names: bool, keep_serials: bool, keep_strings: bool,
    keep_contents: bool, overwrite: bool, copy: str | None, original: str | None,
) -> None:  # fmt: skip
    """Write a copy of IN to OUT in which file contents, names, serial numbers and strings are replaced by filler of the
    same length.

    The copy has the same records, times, commands, exchanges and findings; partition tables, FATs and directories stay
    decodable. What is left in by design is listed at the end (docs/redaction.md): look at the copy before you pass it
    on. Hex text is written anew in the preferred form, without the console lines around it.

    With --verify OUT --against IN nothing is written: what is private in IN is looked for in OUT, raw, decoded and as
    UTF-16, and both have to tell the same story. Exit status 1 when something is found.

    \b
    Examples:
      sticktrace redact stick.pcap passable.pcap
      sticktrace redact --verify passable.pcap --against stick.pcap
    """
    from sticktrace.redaction.filler import Keep

    keep = Keep(keep_names, keep_serials, keep_strings, keep_contents)
    if copy is not None or original is not None:
        _verify(copy, original, alone=not (capture or target or overwrite or keep != Keep()))
    elif capture is None or target is None:
        raise click.UsageError("give IN and OUT, or --verify OUT --against IN")
    else:
        _redact(capture, target, keep, overwrite)


def _redact(capture: str, target: Path, keep: object, overwrite: bool) -> None:
    from sticktrace.redaction.copying import Keep, redact
    from sticktrace.redaction.promise import LEFT_IN

    assert isinstance(keep, Keep)
    with opened(capture) as source:
        report = redact(source, target, keep, overwrite=overwrite)
    for line in [*report.in_words(), *(f"left in by design: {what}" for what in LEFT_IN)]:
        click.echo(line)


def _verify(copy: str | None, original: str | None, alone: bool) -> None:
    from sticktrace.redaction.verifying import verify

    if copy is None or original is None:
        raise click.UsageError("--verify OUT and --against IN go together")
    if not alone:
        raise click.UsageError("--verify writes nothing: leave out IN, OUT, --overwrite and --keep-...")
    with opened(copy) as made, opened(original) as source:
        report = verify(made, source)
    for line in report.in_words():
        click.echo(line)
    if not report.good:
        sys.exit(1)
