"""The patterns, read from the TOML file beside each module of rules when the first rule asks for one.

A table is a pattern and its name the slug. Lines may be broken anywhere in a text in triple quotes. ``caution`` and
``seen_in`` name a sentence of shared.toml; ``seen_in`` left out means "storage commands". ``leave_out = true`` says
that the advice is to leave a command out, and brings in what to do instead where that cannot be.

    OVER_CURRENT = by_slug("over-current")
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Collection, Iterable
from functools import cache
from pathlib import Path
from typing import Any

from sticktrace.findings.finding import SEVERITIES, SIDES, Pattern

HERE = Path(__file__).parent

_WORDS = ("severity", "title", "clause", "explanation", "advice", "side", "workaround", "caution", "seen_in")
_KEYS = (*_WORDS, "causes", "leave_out", "supersedes", "rules")
_MAY_LACK = {"workaround": "", "caution": "", "seen_in": "storage commands", "leave_out": False,
             "supersedes": (), "rules": ()}  # fmt: skip


class PatternError(Exception):
    """A file of patterns is not as it should be: a bug, told with the file, the pattern and the key."""


def by_slug(slug: str) -> Pattern:
    """The pattern of that slug. Raises PatternError, so that a rule whose pattern has no texts fails at its import."""
    if slug not in catalogue():
        raise PatternError(f"no file in rules/ has a pattern [{slug}]{_near(slug, catalogue())}")
    return catalogue()[slug]


@cache
def catalogue() -> dict[str, Pattern]:
    """Every pattern by its slug."""
    return read(sorted(HERE.joinpath("rules").glob("*.toml")))


def read(paths: Iterable[Path]) -> dict[str, Pattern]:
    """The patterns of some files. Raises PatternError for a slug that comes twice, and as `pattern_of` does."""
    found: dict[str, Pattern] = {}
    for path in paths:
        for slug, row in _tables(path).items():
            if slug in found:
                raise PatternError(f"{path.name}: [{slug}] stands in another file too")
            found[slug] = pattern_of(slug, row, f"{path.name}: [{slug}]")
    return found


def pattern_of(slug: str, row: Any, where: str) -> Pattern:
    """A pattern from its table. Raises PatternError for a key that is unknown or missing, and for a value of the wrong
    kind or outside the list that it must come from; ``where`` begins the text."""
    if not isinstance(row, dict):
        raise PatternError(f"{where} is no table")
    for key in row:
        if key not in _KEYS:
            raise PatternError(f"{where}: unknown key {key!r}{_near(key, _KEYS)}")
    given: dict[str, Any] = _MAY_LACK | row
    missing = [key for key in _KEYS if key not in given]
    if missing:
        raise PatternError(f"{where}: {', '.join(missing)} missing")
    words = {key: _text(given[key], key, where) for key in _WORDS}
    for key, known in (("severity", SEVERITIES), ("side", SIDES)):
        if words[key] not in known:
            raise PatternError(f"{where}: {key} {words[key]!r}: known are {', '.join(known)}")
    for key in ("caution", "seen_in"):
        words[key] = _shared(words[key], key, where)
    if not isinstance(given["causes"], list) or not given["causes"]:
        raise PatternError(f"{where}: causes is no list of texts")
    causes = tuple(_text(cause, "causes", where) for cause in given["causes"])
    supersedes = tuple(_text(other, "supersedes", where) for other in given["supersedes"])
    rests_on = tuple(_text(rule, "rules", where) for rule in given["rules"])
    if not isinstance(given["leave_out"], bool):
        raise PatternError(f"{where}: leave_out is neither true nor false")
    instead = shared()["instead"] if given["leave_out"] else {}
    return Pattern(slug, causes=causes, supersedes=supersedes, instead=instead, rules=rests_on, **words)


def _text(value: object, key: str, where: str) -> str:
    """A text with its line breaks taken for blanks; only what may be left out may be empty."""
    if not isinstance(value, str) or not (value.split() or key in _MAY_LACK):
        raise PatternError(f"{where}: {key} is no text")
    return " ".join(value.split())


def _shared(name: str, key: str, where: str) -> str:
    """The sentence of shared.toml that a key names."""
    sentences = shared()[key]
    if name and name not in sentences:
        raise PatternError(f"{where}: {key} {name!r} is not in shared.toml{_near(name, sentences)}")
    return sentences[name] if name else ""


@cache
def shared() -> dict[str, dict[str, str]]:
    """The sentences that patterns share, by the key that they belong to and their name."""
    return _tables(HERE / "shared.toml")


def _tables(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:  # a slug that comes twice in one file is among these
        raise PatternError(f"{path.name}: {error}") from None


def _near(name: str, known: Collection[str]) -> str:
    near = difflib.get_close_matches(name, known, 1, 0.6)
    return f"; did you mean {near[0]!r}?" if near else ""
