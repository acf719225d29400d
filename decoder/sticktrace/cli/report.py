"""`sticktrace report`: a capture as one page, or as Markdown."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from sticktrace.cli.common import capture_argument, opened, report_damage
from sticktrace.errors import SticktraceError


@click.command("report")
@capture_argument
@click.option("--as", "form", type=click.Choice(["html", "markdown"]), default="html", show_default=True, help="Form.")
@click.option("--to", "target", metavar="FILE", help="Where to write it; Markdown goes to the output without.")
@click.option(
    "--for", "kind", type=click.Choice(["all", "issue", "teaching"]), default="all", show_default=True,
    help="All there is, one short page, or with what it means hidden until clicked.",
)  # fmt: skip
@click.option("--against", metavar="GOOD", help="Compare with a capture that works.")
@click.option("--redacted", is_flag=True, help="Take file contents, names and serial numbers out first.")
@click.option("--overwrite", is_flag=True, help="Write over a file that exists.")
def command(
    capture: str, form: str, target: str | None, kind: str, against: str | None, redacted: bool, overwrite: bool
) -> None:
    """Write what CAPTURE shows as one page that anyone can open, without sticktrace and without a network.

    The answer comes first; then findings with their evidence, bring-up, every command with its bytes drawn, timing,
    the volume, the rules of the standards. The page holds what the capture holds: names of files, serial numbers.
    --redacted takes them out before the page is made.

    \b
    Examples:
      sticktrace report stick.pcap --to stick.html
      sticktrace report bad.pcap --against good.pcap --redacted --to pair.html
      sticktrace report stick.pcap --as markdown --for issue
    """
    if form == "html" and not target:
        raise click.UsageError("a page needs a file: --to FILE")
    if form == "markdown" and (against or kind == "teaching"):
        raise click.UsageError("--against and --for teaching belong to a page: --as html")
    with ExitStack() as stack:
        source = stack.enter_context(opened(capture))
        original = source
        taken_out: list[str] = []
        if redacted:
            source, taken_out = _redacted(stack, source)
        lines = _against(stack, source, against, redacted) if against else []
        text = _made(source, form, kind, taken_out, lines)
        _write(text, target, overwrite, original)
        report_damage(original.skim(), capture)


def _made(source: Any, form: str, kind: str, taken_out: list[str], against: list[str]) -> str:
    from sticktrace.report.gather import gather

    told = gather(source, short=kind == "issue" or form == "markdown")
    if form == "markdown":
        from sticktrace.report.markdown import markdown

        return "\n".join(markdown(told)) + "\n"
    from sticktrace.report.html import page

    return page(told, kind, taken_out, against)


def _redacted(stack: ExitStack, source: Any) -> tuple[Any, list[str]]:
    """A redacted copy, opened; it lives in a folder of its own that only the user can read, until the page is made."""
    from sticktrace.redaction.copying import redact
    from sticktrace.session import Capture
    from sticktrace.text import count_of
    from sticktrace.writing.scratch import private_folder

    copy = stack.enter_context(private_folder()) / (Path(source.name).name or "capture")
    found = redact(source, copy)
    opened_copy: Capture = stack.enter_context(opened(str(copy)))
    opened_copy.name = Path(source.name).name
    return opened_copy, [f"{count_of(count, what, what)}" for what, count in found.counts.items() if count]


def _against(stack: ExitStack, source: Any, good: str, redacted: bool) -> list[str]:
    from sticktrace.comparison.compare import compare
    from sticktrace.comparison.side import Telling
    from sticktrace.output.compare_text import compare_text

    other = stack.enter_context(opened(good))
    if redacted:
        other, _ = _redacted(stack, other)
    return list(compare_text(compare(Telling(other), Telling(source))))


def _write(text: str, target: str | None, overwrite: bool, source: Any) -> None:
    if target is None:
        click.echo(text, nl=False)
        return
    from sticktrace.writing.outputs import new_text

    if Path(target).suffix.lower() in (".pcap", ".pcapng"):
        raise SticktraceError(f"{target}: a page is no capture; give another name")
    with new_text(Path(target), [source.source.identity], overwrite) as out:
        out.write(text)
