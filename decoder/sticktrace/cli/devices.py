"""`sticktrace devices`: who was on the bus, as cards or as a story."""

from __future__ import annotations

from pathlib import Path

import click

from sticktrace.cli.common import capture_argument, echo_all, log_options, opened, report_damage, style
from sticktrace.cli.drawing import PICTURE, columns, draw, drawing_options, save


@click.command("devices")
@capture_argument
@log_options
@click.option("--story", is_flag=True, help="The life of each device line by line, with times and gaps.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a device.")
@click.option("--cable", "as_cable", is_flag=True, help="The way from the host to each stick as a drawing.")
@drawing_options
def command(capture: str, story: bool, as_json: bool, as_cable: bool, picture: Path | None, overwrite: bool) -> None:
    """Show each device of CAPTURE: ids, strings, speed, power, endpoints, logical units and their size.

    What the capture does not show is left out; nothing is guessed without saying so. --cable and --picture draw the
    way from the host to each stick from left to right, hub by hub, with port, speed and current on each leg, cut
    through where it broke.
    """
    if sum((story, as_json, as_cable, picture is not None)) > 1:
        raise click.UsageError("--story, --json, --cable and --picture are different answers; choose one")
    from sticktrace.output.device_text import card_lines, device_facts, story_lines
    from sticktrace.volume.ledger import Ledger

    with opened(capture) as source:
        reading = source.reading()
        ledger = Ledger(reading, bring_up_only=True)
        for item in reading:
            ledger.see(item)
        ledger.sticks.listed()
        timed = reading.reader.timed
        if as_cable or picture is not None:
            from sticktrace.output.cable_drawing import cable_of

            scene = cable_of(ledger.sticks.in_order(), PICTURE if picture else columns(), timed)
            if picture is not None:
                save(scene, picture, overwrite, source)
            else:
                echo_all(draw(scene))
        elif as_json:
            import json

            for stick in ledger.sticks.in_order():
                click.echo(json.dumps(device_facts(stick)))
        else:
            for stick in ledger.sticks.in_order():
                echo_all(story_lines(stick, style, timed) if story else card_lines(stick, style))
                click.echo("")
            if not ledger.sticks.in_order():
                click.echo("no device: the capture holds no USB traffic that says who is there")
        report_damage(reading, capture)
