"""`sticktrace findings`: the catalogue of all that diagnose can find."""

from __future__ import annotations

from collections.abc import Iterator

import click

from sticktrace.cli.common import echo_all, style, width


@click.command("findings")
@click.argument("slug", required=False)
@click.option("--json", "as_json", is_flag=True, help="JSON instead of text.")
def command(slug: str | None, as_json: bool) -> None:
    """List every finding that diagnose can make, or explain the one named SLUG.

    \b
    Examples:
      sticktrace findings
      sticktrace findings residue-lies
    """
    from sticktrace.findings.catalogue import find, patterns
    from sticktrace.output.diagnosis_text import pattern_lines

    chosen = [find(slug)] if slug else list(patterns().values())
    if as_json:
        import json

        rows = [pattern.facts(layer) for pattern, layer in chosen]
        click.echo(json.dumps(rows[0] if slug else rows, indent=2))
    elif slug:
        echo_all(pattern_lines(*chosen[0], style, width()))
    else:
        echo_all(_listing())


def _listing() -> Iterator[str]:
    from sticktrace.findings.catalogue import patterns

    before = ""
    for pattern, layer in patterns().values():
        if layer != before:
            yield ("\n" if before else "") + style(layer, "head")
            before = layer
        yield f"  {pattern.severity:5}  {pattern.slug:34}  {pattern.title}"
