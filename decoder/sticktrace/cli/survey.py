"""`sticktrace survey`: all captures below a folder at once."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from sticktrace.cli.common import echo_all, style

_FORMS = ["table", "csv", "json", "parquet"]


@click.command("survey")
@click.argument("paths", nargs=-1, required=True, metavar="PATH...")
@click.option("--as", "form", type=click.Choice(_FORMS), default="table", show_default=True, help="Form.")
@click.option("--json", "as_json", is_flag=True, help="The same as --as json: JSON lines.")
@click.option("--to", "target", metavar="FILE", help="File instead of output; parquet needs one.")
@click.option("--overwrite", is_flag=True, help="Write over a file that exists.")
@click.option("--jobs", type=click.IntRange(1), help="Processes at work; as many as there are processors if not given.")
@click.option(
    "--cache", metavar="DIR", type=click.Path(path_type=Path), help="Keep rows in DIR; read again what changed."
)
@click.option("--scheduler", metavar="ADDRESS", default="", help="Work on the Dask cluster of this scheduler.")
def command(
    paths: tuple[str, ...], form: str, as_json: bool, target: str | None, overwrite: bool, jobs: int | None,
    cache: Path | None, scheduler: str,
) -> None:  # fmt: skip
    """Read every capture below PATH: a row for each stick in each of them, and what their faults have in common.

    Damaged and unreadable files, and captures without a stick, are rows as well. Exit status 1 when a stick has a
    fault.

    \b
    Examples:
      sticktrace survey recordings/
      sticktrace survey recordings/ --cache .survey --as csv --to drawer.csv
      sticktrace survey recordings/ --json
    """
    from sticktrace.survey.many import files_below, survey

    form = "json" if as_json else form
    if form == "parquet" and not target:
        raise click.UsageError("parquet needs a file: --to FILE")
    files = files_below(paths)
    with _bar(len(files)) as bar:
        answers = survey(files, jobs=jobs or os.cpu_count() or 1, cache=cache, scheduler=scheduler,
                         progress=lambda _done, _all: bar.update(1))  # fmt: skip
        rows = [row for some in answers for row in some]
    _write(rows, form, target, overwrite)
    if any(row["fault"] for row in rows):
        sys.exit(1)


def _bar(count: int) -> Any:
    """A bar of files on standard error, where that is a terminal."""
    return click.progressbar(length=count, label="reading", file=sys.stderr, hidden=not sys.stderr.isatty())


def _write(rows: list[dict[str, Any]], form: str, target: str | None, overwrite: bool) -> None:
    from sticktrace.writing.outputs import new_file, new_text

    if form == "parquet":
        from sticktrace.output.survey_text import survey_parquet

        with new_file(Path(target or ""), overwrite=overwrite) as out:
            survey_parquet(rows, out)
    elif target:
        with new_text(Path(target), overwrite=overwrite) as text:
            for line in _lines(rows, form, coloured=False):
                text.write(line + "\n")
    else:
        echo_all(_lines(rows, form, coloured=True))


def _lines(rows: list[dict[str, Any]], form: str, *, coloured: bool) -> Iterator[str]:
    from sticktrace.output.listing import plain
    from sticktrace.output.survey_text import shared_text, survey_csv, survey_text
    from sticktrace.survey.together import together

    if form == "json":
        import json

        yield from map(json.dumps, rows)
    elif form == "csv":
        yield from survey_csv(rows)
    else:
        mood = style if coloured else plain
        yield from survey_text(rows, mood)
        yield from shared_text(together(rows), mood)
