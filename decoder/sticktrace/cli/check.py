"""`sticktrace check`: where every record of a capture ended."""

from __future__ import annotations

import sys

import click

from sticktrace.cli.common import capture_argument, opened, report_damage, style


@click.command("check")
@capture_argument
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of a table.")
def command(capture: str, as_json: bool) -> None:
    """Read all of CAPTURE and account for every record: exchanges, control requests, other traffic, not understood.

    Exit status 1 when the sums do not balance, which would be a fault of sticktrace, or the capture is damaged.
    """
    with opened(capture) as source:
        reading = source.read_through()
        places = reading.places()
        total = sum(places.values())
        facts = {
            "format": reading.reader.form,
            "records": reading.records,
            "exchanges": reading.router.out.numbered,
            "places": dict(places.most_common()),
            "balanced": total == reading.records,
            "damage": [str(damage) for damage in reading.damage],
        }
        _show_json(facts) if as_json else _show(facts)
        report_damage(reading, capture)
    if not facts["balanced"] or facts["damage"]:
        sys.exit(1)


def _show_json(facts: dict[str, object]) -> None:
    import json

    click.echo(json.dumps(facts, indent=2))


def _show(facts: dict[str, object]) -> None:
    from sticktrace.text import count_of

    places, exchanges = facts["places"], count_of(int(str(facts["exchanges"])), "storage exchange")
    assert isinstance(places, dict)
    click.echo(f"{facts['format']}: {facts['records']:,} records, {exchanges}")
    for place, count in places.items():
        click.echo(f"  {count:>12,}  {place}")
    good = bool(facts["balanced"])
    verdict = style("balances", "good") if good else style("DOES NOT BALANCE", "bad")
    click.echo(f"  {sum(places.values()):>12,}  in all: {verdict}")
