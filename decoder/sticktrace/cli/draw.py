"""`sticktrace draw`: a drawing of a whole capture, or of the program's own tables."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from sticktrace.cli.common import echo_all, opened, patterns_option, report_damage
from sticktrace.cli.drawing import PICTURE, columns, draw, drawing_options, save

_OF_CAPTURES = ("staircase", "cases", "spreads")
_OF_TABLES = ("states", "layout")


@click.command("draw")
@click.argument("what", type=click.Choice((*_OF_CAPTURES, *_OF_TABLES)), metavar="WHAT")
@click.argument("words", nargs=-1, metavar="[CAPTURE | TITLE...]")
@drawing_options
@patterns_option
def command(what: str, words: tuple[str, ...], picture: Path | None, overwrite: bool) -> None:
    """Draw WHAT:

    \b
      staircase CAPTURE   how far each stick came, one step up for each stage
      cases CAPTURE       the thirteen cases of Bulk-Only Transport, those seen marked and counted
      spreads CAPTURE     how long each kind of command took, over a logarithmic axis
      states              the state table of Bulk-Only Transport, as the program has it
      layout TITLE        the ruler of a layout by its title, filled with what it is built from

    The byte ruler and the time ladder of an exchange are drawn by `explain`, the cable by `devices --cable`, regions
    and cluster chains by `volume`.

    \b
    Examples:
      sticktrace draw staircase stick.pcap
      sticktrace draw cases stick.pcap --picture cases.svg
      sticktrace draw layout command block wrapper
    """
    if what in _OF_CAPTURES:
        if len(words) != 1:
            raise click.UsageError(f"draw {what} takes one capture")
        with opened(words[0]) as source:
            _show(lambda size: _of_capture(what, source, size), picture, overwrite, source)
            report_damage(source.reading(), words[0])
    elif what == "states" and words:
        raise click.UsageError("draw states takes nothing: the table is the program's own")
    else:
        _show(lambda size: _of_tables(what, " ".join(words), size), picture, overwrite, None)


def _of_capture(what: str, source: Any, size: int) -> Any:
    from sticktrace.drawing.scene import stacked
    from sticktrace.output import pictures

    if what == "cases":
        return pictures.cases_of(source, size)
    scenes = list((pictures.staircases_of if what == "staircase" else pictures.spreads_of)(source, size))
    if not scenes:
        raise click.UsageError(f"{source.name}: no stick in this capture, so there is nothing to draw")
    return stacked(f"{what} of {source.name}", scenes)


def _of_tables(what: str, title: str, size: int) -> Any:
    from sticktrace.output import pictures

    return pictures.states(size) if what == "states" else pictures.layout_named(title, size)


def _show(scene: Callable[[int], Any], picture: Path | None, overwrite: bool, source: Any) -> None:
    if picture is not None:
        save(scene(PICTURE), picture, overwrite, source)
    else:
        echo_all(draw(scene(columns())))
