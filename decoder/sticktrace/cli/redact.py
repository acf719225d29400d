"""`sticktrace redact`: a copy of a capture without what is private."""

from __future__ import annotations

from pathlib import Path

import click

from sticktrace.cli.common import opened, patterns_option


@click.command("redact")
@click.argument("capture", metavar="IN")
@click.argument("target", metavar="OUT", type=click.Path(path_type=Path))
@click.option("--keep-names", is_flag=True, help="Leave file names and labels.")
@click.option("--keep-serials", is_flag=True, help="Leave serial numbers of devices and volumes.")
@click.option("--keep-strings", is_flag=True, help="Leave device strings and words in the container.")
@click.option("--keep-contents", is_flag=True, help="Leave file contents and other data.")
@click.option("--overwrite", is_flag=True, help="Replace OUT if it exists.")
@patterns_option
def command(
    capture: str, target: Path, keep_names: bool, keep_serials: bool, keep_strings: bool, keep_contents: bool,
    overwrite: bool,
) -> None:  # fmt: skip
    """Write a copy of IN to OUT in which file contents, names, serial numbers and strings are replaced by filler of the
    same length.

    The copy has the same records, times, commands, exchanges and findings; partition tables, FATs and directories stay
    decodable. Sizes, dates and the order of events are left in: look at the copy before you pass it on. Hex text is
    written anew in the preferred form, without the console lines around it.
    """
    from sticktrace.redaction.copying import Keep, redact

    keep = Keep(keep_names, keep_serials, keep_strings, keep_contents)
    with opened(capture) as source:
        report = redact(source, target, keep, overwrite=overwrite)
    for line in report.in_words():
        click.echo(line)
