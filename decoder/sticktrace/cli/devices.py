"""`sticktrace devices`: who was on the bus, as cards or as a story."""

from __future__ import annotations

import click

from sticktrace.cli.common import capture_argument, echo_all, opened, report_damage, style


@click.command("devices")
@capture_argument
@click.option("--story", is_flag=True, help="The life of each device line by line, with times and gaps.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a device.")
def command(capture: str, story: bool, as_json: bool) -> None:
    """Show each device of CAPTURE: ids, strings, speed, power, endpoints, logical units and their size.

    What the capture does not show is left out; nothing is guessed without saying so.
    """
    from sticktrace.output.device_text import card_lines, device_facts, story_lines, unit_lines
    from sticktrace.sticks.units import Units
    from sticktrace.transport.exchange import Exchange

    with opened(capture) as source:
        reading = source.reading()
        units = Units(reading.bus)
        for item in reading:
            if isinstance(item, Exchange):
                units.see(item, reading.read)
        if as_json:
            import json

            for device in reading.bus.devices:
                click.echo(json.dumps(device_facts(device, units)))
        else:
            show = story_lines if story else card_lines
            for device in reading.bus.devices:
                echo_all(show(device, units, style))
                click.echo("")
            for unit in units.homeless():
                name = style(f"device at bus {unit.bus}, address {unit.address}", "head")
                click.echo(f"{name}  no descriptor in this capture")
                echo_all(unit_lines(unit))
            if not reading.bus.devices and not units.homeless():
                click.echo("no device: the capture holds no USB traffic that says who is there")
        report_damage(reading, capture)
