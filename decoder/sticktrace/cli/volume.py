"""`sticktrace volume`: partitions, files, and what was done to them."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from sticktrace.cli.common import capture_argument, echo_all, opened, report_damage, style


@click.command("volume")
@capture_argument
@click.option("--changes", is_flag=True, help="The story of file operations instead of the tree.")
@click.option("--map", "as_map", is_flag=True, help="Which parts of the medium were read, written, or failed.")
@click.option("--files", metavar="DIR", type=click.Path(path_type=Path), help="Recover files into DIR.")
@click.option("--image", metavar="FILE", type=click.Path(path_type=Path), help="Write a sparse image, and FILE.map.")
@click.option("--overwrite", is_flag=True, help="Let --files and --image replace files that exist.")
@click.option("--medium", "chosen", metavar="N", type=click.IntRange(1), help="Only the Nth medium of the list.")
@click.option("--as-of", metavar="NUMBER", type=click.IntRange(0), help="As it stood after exchange NUMBER.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a medium, volume, file and change.")
def command(
    capture: str, changes: bool, as_map: bool, files: Path | None, image: Path | None, overwrite: bool,
    chosen: int | None, as_of: int | None, as_json: bool,
) -> None:  # fmt: skip
    """Show what CAPTURE tells of the media: partition tables, volumes, and the tree of files with the share of each
    that the capture holds.

    What the capture does not hold is shown as missing. Recovered names are made harmless; nothing is written outside
    DIR. A file with holes is written as NAME.partial, its holes listed.

    \b
    Examples:
      sticktrace volume stick.pcap --changes
      sticktrace volume stick.pcap --files rescued
    """
    with opened(capture) as source:
        reading = source.reading()
        media = _followed(reading, as_of)
        if chosen is not None:
            if chosen > len(media):
                raise click.UsageError(f"there is no medium {chosen}; the capture shows {len(media)}")
            media = media[chosen - 1 : chosen]
        if files is not None:
            _recover(media, files, overwrite, source)
        elif image is not None:
            _image(media, image, overwrite, source)
        elif as_json:
            _show_json(media)
        else:
            echo_all(_lines(media, changes, as_map))
        report_damage(reading, capture)


def _followed(reading: Any, as_of: int | None) -> list[Any]:
    """The media of a capture, as they stood after an exchange, or at the end."""
    from sticktrace.transport.items import Exchange
    from sticktrace.volume.ledger import Ledger

    ledger = Ledger(reading)
    for item in reading:
        if as_of is not None and isinstance(item, Exchange) and item.number > as_of:
            break
        ledger.see(item)
    ledger.sticks.listed()
    return ledger.tracker.media


def _lines(media: list[Any], changes: bool, as_map: bool) -> Iterator[str]:
    from sticktrace.output.volume_map import map_lines
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
            if as_map:
                yield from map_lines(medium, style)
            for fact in facts(medium):
                mood = {"fault": "bad", "warning": "warn"}.get(fact.severity, "quiet")
                numbers = ", ".join(str(number) for number in fact.evidence)
                tail = f" (exchange {numbers})" if numbers else ""
                yield "  " + style(f"{fact.severity}: {fact.text}", mood) + tail
        yield ""


def _recover(media: list[Any], target: Path, overwrite: bool, source: Any) -> None:
    """Each volume goes into a directory of its own when there are several."""
    from sticktrace.output.volume_text import recovered_line
    from sticktrace.volume.recover import recover_into
    from sticktrace.writing.folder import Folder
    from sticktrace.writing.outputs import Outputs
    from sticktrace.writing.reasons import Refused

    numbered = enumerate(media, 1)
    jobs = [(place, medium, volume) for place, medium in numbered for volume in medium.volumes if volume.files]
    if not jobs:
        click.echo("no FAT or exFAT volume in this capture; nothing to recover", err=True)
        sys.exit(1)
    refused: Refused | None = None
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
    if refused is not None:
        raise refused


def _image(media: list[Any], target: Path, overwrite: bool, source: Any) -> None:
    from sticktrace.text import count_of, safe
    from sticktrace.volume.recover import write_image

    media = [medium for medium in media if len(medium.store)]
    if len(media) != 1:
        raise click.UsageError(f"the capture shows {len(media)} media with blocks; choose one with --medium")
    ranges = write_image(media[0], target, overwrite, [source.source.identity])
    blocks = sum(item.last - item.first + 1 for item in ranges if item.state == "captured")
    shown = safe(str(target))
    click.echo(f"{shown}: {count_of(blocks, 'block')} written; {shown}.map lists {count_of(len(ranges), 'range')}")


def _show_json(media: list[Any]) -> None:
    import json

    from sticktrace.output.volume_text import medium_facts

    for medium in media:
        for facts in medium_facts(medium):
            click.echo(json.dumps(facts))
