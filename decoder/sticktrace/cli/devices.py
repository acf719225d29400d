"""`sticktrace devices`: who was on the bus, as cards or as a story."""

from __future__ import annotations

import click

from sticktrace.cli.common import capture_argument, echo_all, log_options, opened, report_damage, style


@click.command("devices")
@capture_argument
@log_options
@click.option("--story", is_flag=True, help="The life of each device line by line, with times and gaps.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a device.")
def command(capture: str, story: bool, as_json: bool) -> None:
    """Show each device of CAPTURE: ids, strings, speed, power, endpoints, logical units and their size.

    What the capture does not show is left out; nothing is guessed without saying so.
    """
    from sticktrace.output.device_text import card_lines, device_facts, story_lines
    from sticktrace.volume.ledger import Ledger

    with opened(capture) as source:
        reading = source.reading()
        ledger = Ledger(reading, bring_up_only=True)
        for item in reading:
            ledger.see(item)
        ledger.sticks.listed()
        if as_json:
            import json

            for stick in ledger.sticks.in_order():
                click.echo(json.dumps(device_facts(stick)))
        else:
            timed = reading.reader.timed
            for stick in ledger.sticks.in_order():
                echo_all(story_lines(stick, style, timed) if story else card_lines(stick, style))
                click.echo("")
            if not ledger.sticks.in_order():
                click.echo("no device: the capture holds no USB traffic that says who is there")
        report_damage(reading, capture)
