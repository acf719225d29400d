"""`sticktrace volume`: partitions, files, and what was done to them."""

from __future__ import annotations

import sys
from array import array
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import click

from sticktrace.cli.common import capture_argument, echo_all, opened, report_damage, style
from sticktrace.cli.drawing import PICTURE, columns, draw, drawing_options, save


@click.command("volume")
@capture_argument
@click.option("--changes", is_flag=True, help="The story of file operations instead of the tree.")
@click.option("--map", "as_map", is_flag=True, help="Which parts of the medium were read, written, or failed.")
@click.option("--files", metavar="DIR", type=click.Path(path_type=Path), help="Recover files into DIR.")
@click.option("--image", metavar="FILE", type=click.Path(path_type=Path), help="Write a sparse image, and FILE.map.")
@click.option("--zoom", metavar="FIRST..LAST", help="Of --map and --picture only these blocks.")
@click.option("--chain", metavar="PATH", help="The clusters of this file, and the chain that the FAT makes of them.")
@drawing_options
@click.option("--medium", "chosen", metavar="N", type=click.IntRange(1), help="Only the Nth medium of the list.")
@click.option("--as-of", metavar="NUMBER", type=click.IntRange(0), help="As it stood after exchange NUMBER.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a medium, volume, file and change.")
def command(
    capture: str, changes: bool, as_map: bool, files: Path | None, image: Path | None, overwrite: bool,
    zoom: str | None, chain: str | None, picture: Path | None, chosen: int | None, as_of: int | None, as_json: bool,
) -> None:  # fmt: skip
    """Show what CAPTURE tells of the media: partition tables, volumes, and the tree of files with the share of each
    that the capture holds.

    What the capture does not hold is shown as missing. Recovered names are made harmless; nothing is written outside
    DIR. A file with holes is written as NAME.partial, its holes listed. Exit status 1 when nothing can be recovered, or
    when something that the capture holds could not be written.

    \b
    Examples:
      sticktrace volume stick.pcap --changes
      sticktrace volume stick.pcap --map --zoom 2048..2111
      sticktrace volume stick.pcap --chain /LEVELS/2031-04.CSV --picture chain.svg
      sticktrace volume stick.pcap --files rescued
    """
    _go_together(changes, as_map, files or image, overwrite, as_json, chain, picture, zoom)
    blocks = _blocks(zoom)
    with opened(capture) as source:
        reading = source.reading()
        times = array("q")
        media = _followed(reading, as_of, times)
        if chosen is not None:
            if chosen > len(media):
                raise click.UsageError(f"there is no medium {chosen}; the capture shows {len(media)}")
            media = media[chosen - 1 : chosen]
        pictured = _with_blocks(media) if image is not None else None
        if as_json:
            _show_json(media)
        elif chain is not None or picture is not None:
            drawn = partial(_drawn, media, times, blocks, chain, reading.reader.timed)
            if picture is not None:
                save(drawn(PICTURE), picture, overwrite, source)
            else:
                echo_all(draw(drawn(columns())))
        elif changes or as_map or not (files or image):
            drawing = partial(_map, times, blocks, reading.reader.timed) if as_map else None
            echo_all(_lines(media, changes, drawing))
        whole = image is None or _image(pictured, image, overwrite, source)
        whole &= files is None or _recover(media, files, overwrite, source)
        report_damage(reading, capture)
    if not whole:
        sys.exit(1)


def _go_together(
    changes: bool, as_map: bool, target: Path | None, overwrite: bool, as_json: bool, chain: str | None,
    picture: Path | None, zoom: str | None,
) -> None:  # fmt: skip
    """Refuses options of which one would be dropped without a word."""
    if (chain is not None or picture is not None) and (changes or as_map or target is not None or as_json):
        raise click.UsageError("--chain and --picture draw and nothing else; ask for the rest in a call of its own")
    if (zoom is not None and not (as_map or picture is not None)) or (zoom is not None and chain is not None):
        raise click.UsageError("--zoom belongs to --map or --picture")
    if as_json and (changes or as_map or target is not None):
        what = "--changes is in it already" if changes else "it has no map" if as_map else "it writes no files"
        raise click.UsageError(f"--json stands alone: {what}")
    if overwrite and target is None and picture is None:
        raise click.UsageError("--overwrite means nothing without --files, --image or --picture")


def _blocks(zoom: str | None) -> tuple[int, int] | None:
    """The first and the last block of --zoom."""
    from sticktrace.output.selection import range_of

    return range_of(zoom) if zoom is not None else None


def _map(times: Any, blocks: tuple[int, int] | None, timed: bool, medium: Any) -> Iterator[str]:
    from sticktrace.output.volume_drawing import regions_of

    return draw(regions_of(medium, times, columns(), blocks, timed))


def _drawn(
    media: list[Any], times: Any, blocks: tuple[int, int] | None, chain: str | None, timed: bool, size: int
) -> Any:
    """The chain of a file, or the regions of each medium."""
    from sticktrace.drawing.scene import stacked
    from sticktrace.output.volume_drawing import chain_of, regions_of

    if chain is not None:
        return chain_of(media, chain, size)
    return stacked("Regions of the media", [regions_of(medium, times, size, blocks, timed) for medium in media])


def _followed(reading: Any, as_of: int | None, times: Any) -> list[Any]:
    """The media of a capture, as they stood after an exchange, or at the end; ``times`` takes when each exchange
    began."""
    from sticktrace.transport.items import Exchange
    from sticktrace.volume.ledger import Ledger

    ledger = Ledger(reading)
    for item in reading:
        if isinstance(item, Exchange):
            if as_of is not None and item.number > as_of:
                break
            times.append(item.time_ns)
        ledger.see(item)
    ledger.sticks.listed()
    return ledger.tracker.media


def _lines(media: list[Any], changes: bool, drawing: Callable[[Any], Iterator[str]] | None) -> Iterator[str]:
    from sticktrace.output.volume_text import change_lines, medium_lines
    from sticktrace.volume.findings import facts

    if not media:
        yield "no medium: no storage command in this capture named a block"
    for medium in media:
        if changes:
            yield style(medium.title, "head")
            yield from change_lines(medium)
        else:
            yield from medium_lines(medium, style)
        if drawing is not None:
            yield ""
            yield from drawing(medium)
            yield ""
        if not changes:
            for fact in facts(medium):
                mood = {"fault": "bad", "warning": "warn"}.get(fact.severity, "quiet")
                numbers = ", ".join(str(number) for number in fact.evidence)
                tail = f" (exchange {numbers})" if numbers else ""
                yield "  " + style(f"{fact.severity}: {fact.text}", mood) + tail
        yield ""


def _recover(media: list[Any], target: Path, overwrite: bool, source: Any) -> bool:
    """Each volume goes into a directory of its own when there are several. Returns whether there was any, and all that
    the capture holds was written; what else helps is said on standard error."""
    from sticktrace.output.volume_text import recovered_line
    from sticktrace.volume.recover import recover_into
    from sticktrace.writing.folder import Folder
    from sticktrace.writing.outputs import Outputs
    from sticktrace.writing.reasons import Refused

    numbered = enumerate(media, 1)
    jobs = [(place, medium, volume) for place, medium in numbered for volume in medium.volumes if volume.files]
    refused: Refused | None = None
    whole = True
    if not jobs:
        _hint(media)
        return False
    with Outputs([source.source.identity], overwrite) as outputs:
        root = Folder.at(target, outputs)
        for place, medium, volume in jobs:
            try:
                folder = root if len(jobs) == 1 else root.folder(f"medium-{place}-lba-{volume.start}")
            except Refused as error:
                refused = error
                continue
            for found in recover_into(medium, volume, folder):
                click.echo(recovered_line(found))
                whole &= not found.refused
    _hint(media)
    if refused is not None:
        raise refused
    return whole


def _hint(media: list[Any]) -> None:
    from sticktrace.output.volume_hints import hint_lines

    for line in hint_lines(media):
        click.echo(f"sticktrace: {line}", err=True)


def _with_blocks(media: list[Any]) -> Any:
    """The one medium that an image can be made of."""
    held = [medium for medium in media if len(medium.store)]
    if len(held) != 1:
        raise click.UsageError(f"the capture shows {len(held)} media with blocks; choose one with --medium")
    return held[0]


def _image(medium: Any, target: Path, overwrite: bool, source: Any) -> bool:
    """Returns whether all that the capture holds of the medium is in the image; what is not goes to standard error."""
    from sticktrace.output.volume_text import image_line, left_out_line
    from sticktrace.volume.recover import write_image

    ranges = write_image(medium, target, overwrite, [source.source.identity])
    click.echo(image_line(target, ranges))
    missing = left_out_line(target, ranges)
    if missing:
        click.echo(f"sticktrace: {missing}", err=True)
    return not missing


def _show_json(media: list[Any]) -> None:
    import json

    from sticktrace.output.volume_text import medium_facts

    for medium in media:
        for facts in medium_facts(medium):
            click.echo(json.dumps(facts))
