"""Looking words up, in whatever way they are typed: "READ(10)", "read10" and "28h" are one command."""

from __future__ import annotations

import difflib
import re
from collections import defaultdict
from functools import cache

from sticktrace.errors import SticktraceError
from sticktrace.words.entry import Entry, Kind
from sticktrace.words.sources import SOURCES, composed

_NEAR = 5


@cache
def entries() -> tuple[Entry, ...]:
    """All of them, kind after kind."""
    found = [entry for source in SOURCES for entry in source()]
    order = {kind: number for number, kind in enumerate(Kind)}
    return tuple(sorted(found, key=lambda entry: order[entry.kind]))


def look_up(word: str) -> list[Entry]:
    """What a word means; several entries where it means several things. Raises SticktraceError that names the nearest
    words for one that is not there."""
    plain = _plain(word)
    found = _by_word().get(plain) or composed(word.strip())
    if not found:
        near = suggestions(word)
        hint = f"; near it are {', '.join(near)}" if near else "; `sticktrace about` lists all kinds"
        raise SticktraceError(f"{word!r} is in no entry{hint}")
    return list(found)


def suggestions(word: str) -> list[str]:
    """The names nearest to a word, the nearest first."""
    plain = _plain(word)
    inside = sorted((known for known in _by_word() if len(plain) > 2 and plain in known), key=len)
    alike = difflib.get_close_matches(plain, _by_word(), _NEAR, 0.7)
    names = [_by_word()[known][0].name for known in (*alike, *inside)]
    return list(dict.fromkeys(names))[:_NEAR]


@cache
def _by_word() -> dict[str, list[Entry]]:
    found: dict[str, list[Entry]] = defaultdict(list)
    for entry in entries():
        for word in dict.fromkeys(_plain(name) for name in (entry.name, *entry.also)):
            found[word].append(entry)
    return dict(found)


def _plain(word: str) -> str:
    """Letters, digits, and the signs that tell numbers apart; in lower case."""
    return re.sub(r"[^0-9a-z/+-]", "", word.lower().replace("_", "").replace(" ", "")).strip("/") or word
