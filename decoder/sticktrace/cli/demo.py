"""`sticktrace demo`: the captures that come with sticktrace."""

from __future__ import annotations

from pathlib import Path

import click

DEFAULT = "brown-out-on-write.pcap"

WHAT = {
    "healthy-boot": "how it looks when all is well, from plugging in to appended rows",
    "not-ready-then-up": "a slow start that the host waits out",
    "no-address": "trouble before any storage command: SET_ADDRESS fails",
    "hub-port-overcurrent": "a stick that asks for more than its hub can give",
    "brown-out-on-write": "the supply dips while the stick writes",
    "get-max-lun-stall-fatal": "a host that stops at a refusal that is allowed",
    "unit-attention-giveup": "a host that takes news for an error",
    "card-reader-empty-lun": "a host that looks at the first slot only",
    "gpt-volume": "a host that knows no GPT",
    "exfat-volume": "a host that knows no exFAT",
    "write-protected": "a host that writes though it was told",
    "bad-sector": "one sector that cannot be read",
    "counterfeit": "half the capacity is a lie",
    "stall-recovery": "the thirteen cases of Bulk-Only Transport, with recovery",
    "uas-stick": "the other transport, several commands at once",
    "usb-console": "what a board's console printed",
}
"""Demo capture -> what it shows; traces/README.md tells more."""


def demo_folder() -> Path:
    """Where the demo captures are: inside an installed package, or in traces/demo of a source tree."""
    import sticktrace

    package = Path(sticktrace.__file__).parent
    for folder in (package / "demo", package.parents[1] / "traces" / "demo"):
        if folder.is_dir():
            return folder
    raise click.ClickException("the demo captures are not installed with this copy of sticktrace")


def demo_capture(name: str) -> Path:
    """The path of a demo capture by its name, with or without its ending."""
    folder = demo_folder()
    found = [path for path in sorted(folder.iterdir()) if name in (path.name, path.stem)]
    if not found:
        raise click.UsageError(f"there is no demo capture {name!r}; sticktrace demo --list shows them")
    return found[0]


@click.command("demo")
@click.argument("name", default=DEFAULT)
@click.option("--list", "listed", is_flag=True, help="List the demo captures.")
@click.option("--path", "only_path", is_flag=True, help="Print the path of the capture, for use with other verbs.")
@click.pass_context
def command(ctx: click.Context, name: str, listed: bool, only_path: bool) -> None:
    """Diagnose a demo capture and list its exchanges.

    \b
    Examples:
      sticktrace demo
      sticktrace demo healthy-boot
      sticktrace exchanges "$(sticktrace demo bad-sector --path)"
    """
    if listed:
        for name, what in WHAT.items():
            click.echo(f"{name:24}  {what}")
        return
    path = demo_capture(name)
    if only_path:
        click.echo(path)
        return
    from sticktrace.cli.common import style
    from sticktrace.cli.diagnose import command as diagnose
    from sticktrace.cli.exchanges import command as exchanges

    click.echo(style(f"$ sticktrace diagnose {path.name}", "head"))
    try:
        ctx.invoke(diagnose, capture=str(path))
    except click.exceptions.Exit:
        pass  # a fault was found, which is the point
    except SystemExit:
        pass
    click.echo("\n" + style(f"$ sticktrace exchanges {path.name}", "head"))
    ctx.invoke(exchanges, capture=str(path), words=(), wide=False)
