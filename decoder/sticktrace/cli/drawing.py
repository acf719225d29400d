"""What the verbs with drawings share: how wide they are, which characters they are made of, and pictures as files."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click

from sticktrace.cli.common import style, width

_ASCII = "sticktrace.ascii"
IN_A_PIPE = 80
"""Columns of a drawing that goes to a pipe."""
PICTURE = 96
"""Columns of a picture in a file."""


def _keep_ascii(context: click.Context, _option: click.Parameter, wanted: bool) -> None:
    context.meta[_ASCII] = wanted


def drawing_options(verb: Callable[..., Any]) -> Callable[..., Any]:
    """--picture FILE, --overwrite and --ascii."""
    for option in (
        click.option("--ascii", is_flag=True, expose_value=False, callback=_keep_ascii,
                     help="Draw with plain ASCII characters."),
        click.option("--overwrite", is_flag=True, help="Let files that are written replace those that exist."),
        click.option("--picture", metavar="FILE", type=click.Path(path_type=Path),
                     help="Write the drawing to FILE as SVG, for light and dark pages."),
    ):  # fmt: skip
        verb = option(verb)
    return verb


def columns() -> int:
    """Columns of a drawing: those of the terminal, at least as many as every drawing needs."""
    from sticktrace.drawing.scene import LEAST_WIDTH

    return max(LEAST_WIDTH, width() or IN_A_PIPE)


def in_ascii() -> bool:
    """Whether --ascii was given, or the output has no box characters."""
    try:
        "└▶█".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return True
    return bool(click.get_current_context().meta.get(_ASCII, False))


def draw(scene: Any) -> Iterator[str]:
    """The lines of a drawing for this output."""
    from sticktrace.drawing.as_text import text_lines

    return text_lines(scene, style, in_ascii())


def save(scene: Any, target: Path, overwrite: bool, source: Any = None) -> None:
    """Write a drawing as SVG, whole or not at all, and say so."""
    from sticktrace.drawing.as_svg import svg
    from sticktrace.writing.outputs import new_text

    apart = [source.source.identity] if source is not None else []
    with new_text(target, apart, overwrite) as out:
        out.write(svg(scene))
    click.echo(f"{click.format_filename(target)}: written")
