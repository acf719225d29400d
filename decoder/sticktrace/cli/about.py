"""`sticktrace about`: one dictionary of all that is printed, or that a user meets."""

from __future__ import annotations

import click

from sticktrace.cli.common import echo_all, style, width


@click.command("about", context_settings={"ignore_unknown_options": True})
@click.argument("word", nargs=-1)
@click.option("--list", "kind", metavar="KIND", help="List the entries of a kind, or of all kinds.")
@click.option("--json", "as_json", is_flag=True, help="JSON lines instead of text.")
def command(word: tuple[str, ...], kind: str | None, as_json: bool) -> None:
    """Explain WORD: a term, a finding, a stage, a command, a sense code, a status, a pattern of a log line, a selection
    word. Without WORD, say what kinds of entries there are.

    \b
    Examples:
      sticktrace about residue
      sticktrace about 3/11/00
      sticktrace about -71
      sticktrace about READ CAPACITY
      sticktrace about --list finding
    """
    from sticktrace.words.dictionary import entries, look_up
    from sticktrace.words.text import entry_text, kinds_text, list_text

    if word:
        chosen = look_up(" ".join(word))
    else:
        chosen = [entry for entry in entries() if kind in (None, "all") or entry.kind.value == _kind(kind or "")]
    if as_json:
        import json

        for entry in chosen:
            click.echo(json.dumps(entry.facts(), ensure_ascii=False))
    elif word:
        for number, entry in enumerate(chosen):
            if number:
                click.echo("")
            echo_all(entry_text(entry, style, width()))
    else:
        echo_all(list_text(chosen, style) if kind else kinds_text(chosen, style))


def _kind(word: str) -> str:
    from sticktrace.words.entry import Kind

    kinds = [kind.value for kind in Kind]
    found = next((known for known in kinds if known == word.lower() or f"{known}s" == word.lower()), None)
    if found is None:
        raise click.UsageError(f"no entry is a {word!r}; kinds are {', '.join(kinds)}, all")
    return found
