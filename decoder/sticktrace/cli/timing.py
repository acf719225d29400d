"""`sticktrace timing`: where the time goes, against what the bus allows."""

from __future__ import annotations

import click

from sticktrace.cli.common import capture_argument, echo_all, opened, report_damage, style


@click.command("timing")
@capture_argument
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of text.")
def command(capture: str, as_json: bool) -> None:
    """Show where the time of CAPTURE goes, for each storage device.

    Bring-up step by step; for each command how long its data, its status and the host's gap after it took (p50, p90,
    p99, longest); the throughput, and what share that is of the most that the bus carries at this speed and packet
    size, with the reason when it is low; the course over time.

    \b
    Examples:
      sticktrace timing stick.pcap
      sticktrace timing stick.pcap --json
    """
    from sticktrace.output.timing_text import timing_text
    from sticktrace.timing.measure import time_of

    with opened(capture) as source:
        reading = source.reading()
        timing = time_of(reading)
        if as_json:
            import json

            click.echo(json.dumps(timing.facts(), indent=2))
        else:
            echo_all(timing_text(timing, style))
        report_damage(reading, capture)
