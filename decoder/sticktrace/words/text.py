"""Entries of the dictionary as text."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator

from sticktrace.output.listing import Style, plain
from sticktrace.words.entry import Entry, Kind

_WIDEST = 100


def entry_text(entry: Entry, style: Style = plain, width: int = 0) -> Iterator[str]:
    """One entry in full."""
    width = min(width or _WIDEST, _WIDEST)
    yield from textwrap.wrap(f"{style(entry.name, 'head')} ({entry.kind.value}): {entry.says}", width,
                             subsequent_indent="  ")  # fmt: skip
    for paragraph in entry.more():
        indent = paragraph[: len(paragraph) - len(paragraph.lstrip())] + "  "
        yield from textwrap.wrap(paragraph, width, initial_indent="  ", subsequent_indent=f"{indent}  ") or [""]
    if entry.clause:
        yield style(f"  {entry.clause}", "quiet")


def kinds_text(entries: Iterable[Entry], style: Style = plain) -> Iterator[str]:
    """How many entries of each kind there are, and an example."""
    listed = list(entries)
    counts = Counter(entry.kind for entry in listed)
    for kind in Kind:
        if counts[kind]:
            first = next(entry.name for entry in listed if entry.kind is kind)
            yield f"{style(f'{kind.value:16}', 'head')}  {counts[kind]:5}  such as {first}"


def list_text(entries: Iterable[Entry], style: Style = plain) -> Iterator[str]:
    """A line for each entry."""
    listed = list(entries)
    widest = min(34, max((len(entry.name) for entry in listed), default=0))
    for entry in listed:
        yield f"{style(f'{entry.name:{widest}}', 'head')}  {entry.says}"
