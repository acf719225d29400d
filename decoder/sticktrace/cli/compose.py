"""`sticktrace compose`: a command by name as bytes for a firmware test."""

from __future__ import annotations

import click

from sticktrace.cli.common import echo_all, style, width


@click.command("compose")
@click.argument("name", metavar="COMMAND")
@click.argument("fields", nargs=-1, metavar="[FIELD=VALUE]...")
@click.option("--cbw", is_flag=True, help="Wrap it in a Command Block Wrapper.")
@click.option("--tag", default="1", show_default=True, help="dCBWTag.")
@click.option("--lun", default=0, show_default=True, type=click.IntRange(0, 15), help="bCBWLUN.")
@click.option("--data", "length", default=None, help="dCBWDataTransferLength; else told from the command.")
@click.option("--out", "outgoing", is_flag=True, help="The data phase goes to the device; else told from the command.")
@click.option("--block", default="512", show_default=True, help="Bytes of a block, to tell the data length.")
@click.option("--c", "as_c", is_flag=True, help="A C array instead of plain hex.")
@click.option("--explain", "explained", is_flag=True, help="Explain the bytes below them.")
def command(
    name: str, fields: tuple[str, ...], cbw: bool, tag: str, lun: int, length: str | None, outgoing: bool,
    block: str, as_c: bool, explained: bool,
) -> None:  # fmt: skip
    """Build the command block of COMMAND, or a whole CBW, from field values.

    Field names are the standard's in any case with _ for spaces; lba, blocks and length are short forms. Numbers are
    31, 0x1F or 1Fh.

    \b
    Examples:
      sticktrace compose "READ(10)" lba=2080 blocks=8
      sticktrace compose inquiry length=36 --cbw --tag 0x20310417 --c
    """
    from sticktrace.output.selection import number_of
    from sticktrace.storage.commands import compose, named
    from sticktrace.storage.wrapping import wrap

    values = {}
    for pair in fields:
        key, equals, value = pair.partition("=")
        if not equals:
            raise click.UsageError(f"{pair!r} is not FIELD=VALUE")
        values[key] = number_of(value)
    cdb = data = compose(name, **values)
    known = named(name)
    title = known.name
    if cbw:
        data = wrap(
            data, tag=number_of(tag), lun=lun, length=None if length is None else number_of(length),
            outgoing=True if outgoing else None, block_length=number_of(block), command=known,
        )  # fmt: skip
        title = f"CBW: {title}"
    click.echo(c_array(title, data) if as_c else data.hex(" "))
    if explained:
        from sticktrace.grammar.bot import CBW
        from sticktrace.output.explaining import lines

        click.echo("")
        for part in [CBW.explain(data)] * cbw + [known.cdb.explain(cdb)]:
            echo_all(lines(part, style, width=width()))


def c_array(title: str, data: bytes) -> str:
    """Bytes as a C initialiser, ten a line."""
    rows = [", ".join(f"0x{b:02X}" for b in data[at : at + 10]) for at in range(0, len(data), 10)]
    body = ",\n".join(f"    {row}" for row in rows)
    return f"/* {title} */\nstatic const unsigned char command[{len(data)}] = {{\n{body}\n}};"
