"""`sticktrace shrink`: the smallest capture that still shows what it is about."""

from __future__ import annotations

import io
import shlex
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, redirect_stderr, redirect_stdout
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, cast

import click

from sticktrace.cli.common import is_there, patterns_file, patterns_option

if TYPE_CHECKING:
    from sticktrace.shrinking.claims import Claim
    from sticktrace.shrinking.shrink import Shrinker

_PACKED = (".gz", ".xz")
_CHUNK = 1 << 20
_NOT_REDACTED = (
    "redacted, it no longer shows the same; nothing is written: leave --redacted off, and look at what you pass on"
)


@click.command("shrink")
@click.argument("capture", metavar="CAPTURE")
@click.option(
    "--keep",
    "words",
    default="",
    metavar="WORDS",
    help="Words of the finding, the verdict or the error to keep, or its short name; the verdict if not given.",
)
@click.option("--to", "target", type=click.Path(path_type=Path), metavar="FILE",
              help="Where to write it; NAME.small.pcap for NAME.pcap if not given.")  # fmt: skip
@click.option("--redacted", is_flag=True, help="Take out what is private as well, as `sticktrace redact` does.")
@click.option("--run", "verb", default="diagnose", metavar="VERB",
              help="The verb, with its options, whose error is to be kept, instead of what diagnose says.")  # fmt: skip
@click.option("--tries", default=2000, show_default=True, type=click.IntRange(1), help="Stop after so many tries.")
@click.option("--overwrite", is_flag=True, help="Replace FILE if it exists.")
@patterns_option
def command(
    capture: str, words: str, target: Path | None, redacted: bool, verb: str, tries: int, overwrite: bool
) -> None:
    """Write the smallest part of CAPTURE of which the same finding, verdict or error is said, to attach to a report.

    Whole sticks are taken out first, then exchanges and requests, then single records or lines, by halving. Packed
    captures are written unpacked. Ctrl-C writes the smallest so far. Without --redacted the file holds whatever the
    records that are left hold: look at it before you pass it on.

    \b
    Examples:
      sticktrace shrink stick.pcap --keep residue-lies --redacted
      sticktrace shrink console.txt --keep "unit attention" --to report.txt
      sticktrace shrink stick.pcap --keep KeyError --run "volume --json"
    """
    from sticktrace.capture import open_source
    from sticktrace.shrinking.shrink import Shrinker
    from sticktrace.text import safe
    from sticktrace.writing.outputs import Outputs

    target = target or _beside(capture)
    with (
        closing(open_source(capture)) as source,
        Outputs([source.identity], overwrite) as outputs,
        _progress(tries) as progress,
    ):
        outputs.look(target)
        with closing(Shrinker(source, words, _observer(verb), tries, progress, _own_patterns())) as shrinker:
            result = shrinker.run()
            _write(shrinker, outputs.new(target), redacted)
    for line in result.in_words():
        click.echo(safe(line))
    click.echo(f"{safe(str(target))}: written{', redacted' * redacted}")
    if result.stopped:
        raise KeyboardInterrupt


def _beside(capture: str) -> Path:
    """In the folder where the program runs: ``stick.small.pcap``."""
    if capture == "-":
        raise click.UsageError("standard input has no name: say where to write with --to FILE")
    path = Path(capture)
    path = path.with_suffix("") if path.suffix in _PACKED else path
    return Path(f"{path.stem}.small{path.suffix}")


@contextmanager
def _progress(tries: int) -> Iterator[Callable[[int, int], None]]:
    """A bar on a terminal that counts tries, and says how much is left."""
    from sticktrace.shrinking.shrink import no_progress

    if not sys.stderr.isatty():
        yield no_progress
        return
    with click.progressbar(length=tries, label="shrinking", file=sys.stderr) as bar:

        def show(_tries: int, left: int) -> None:
            bar.label = f"shrinking, {left:,} left"
            bar.update(1)

        yield show


def _own_patterns() -> Any:
    from sticktrace.capture.line_patterns import LinePatterns

    return LinePatterns(patterns_file()) if patterns_file() else None


def _write(shrinker: Shrinker, out: BinaryIO, redacted: bool) -> None:
    """The smallest so far as it is, or redacted, if the same is still said of it then."""
    from sticktrace.errors import SticktraceError
    from sticktrace.redaction.copying import redact_into
    from sticktrace.session import open as open_capture
    from sticktrace.writing.scratch import Scratch

    if not redacted:
        _copy(shrinker.best, out)
        return
    with open_capture(shrinker.best.name, patterns=patterns_file()) as capture, Scratch(suffix=".capture").file as file:
        redact_into(capture, cast(BinaryIO, file))
        file.flush()
        if not shrinker.is_kept(Path(file.name), words=False):
            raise SticktraceError(_NOT_REDACTED)
        _copy(file, out)


def _copy(file: Any, out: BinaryIO) -> None:
    file.seek(0)
    while chunk := file.read(_CHUNK):
        out.write(chunk)


# -- what is said of a candidate


def _observer(verb: str) -> Callable[[Path], list[Claim]]:
    """How to look at a candidate: by its diagnosis, or by running a verb that fails."""
    words = shlex.split(verb)
    if words == ["diagnose"]:
        return _diagnosed
    if not words or words[0] not in READERS:
        raise click.UsageError(f"--run takes one of {', '.join(READERS)}, with its options")
    words = contained(words)
    return lambda path: _run(words, path)


def _diagnosed(path: Path) -> list[Claim]:
    from sticktrace.findings.verdict import diagnose
    from sticktrace.session import open as open_capture
    from sticktrace.shrinking.claims import claim_of, claims_of

    try:
        with open_capture(path, patterns=patterns_file()) as capture:
            return claims_of(diagnose(capture.reading()))
    except Exception as error:  # an internal error is what some come here for
        return [claim_of(error, str(path))]


def _run(words: list[str], path: Path) -> list[Claim]:
    """The error with which a verb ends, if it does. What it writes goes into a folder that is then taken away."""
    from sticktrace.cli.main import cli
    from sticktrace.shrinking.claims import claim_of
    from sticktrace.writing.scratch import folder

    try:
        with (
            folder(), redirect_stdout(_Nowhere()), redirect_stderr(_Nowhere()),
            cli.make_context("sticktrace", [words[0], str(path), *words[1:]]) as context,
        ):  # fmt: skip
            cli.invoke(context)
    except (SystemExit, click.exceptions.Exit, click.ClickException):
        return []
    except Exception as error:  # see above
        return [claim_of(error, str(path))]
    return []


class _Nowhere(io.StringIO):
    """Takes what a verb prints."""

    def write(self, text: str, /) -> int:
        return len(text)


READERS = (
    "diagnose", "exchanges", "devices", "explain", "timing", "volume", "compare", "fit", "audit", "check", "export",
    "redact",
)  # fmt: skip
"""Verbs that take a capture and need nobody at the keyboard."""

_WRITE = frozenset(("--to", "--files", "--image"))


def contained(words: list[str]) -> list[str]:
    """The words of a verb so that it reads the files that they name wherever it runs, and writes only where it runs."""
    out = words[:1]
    for before, word in pairwise(words):
        writes = before in _WRITE or (words[0] == "redact" and not word.startswith("-") and before != "--patterns")
        out.append(Path(word).name if writes else str(Path(word).resolve()) if is_there(word) else word)
    return out
