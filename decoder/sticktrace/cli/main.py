"""The command line: `sticktrace VERB CAPTURE`. Verbs live one per file and are loaded when called."""

from __future__ import annotations

import importlib
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

VERBS = {
    "diagnose": "say how far the stick came, what failed first, and what to try",
    "exchanges": "list every storage command with its data, status and sense",
    "requests": "list every control request with what it asked and how it ended",
    "devices": "show who is on the bus, as cards or as a story",
    "explain": "account for every byte of an exchange, or of hex given here",
    "draw": "draw how far a stick came, the cases seen, how long commands took, a layout",
    "compose": "build a command block or a whole CBW for a firmware test",
    "timing": "show where the time goes, against what the bus allows",
    "volume": "show partitions, files and what was done to them",
    "compare": "find the first difference that matters between two captures",
    "fit": "hold a stick against the limits of a target board",
    "audit": "hold captures against the rules of the standards: kept, broken, not seen",
    "about": "explain any word that is printed here, any code, command or finding",
    "patterns": "list, explain and try the patterns by which lines of text are read",
    "check": "show where every record of a capture ended",
    "export": "write the facts as JSON lines or CSV, or records as pcap",
    "report": "write what a capture shows as one page that anyone can open",
    "survey": "read every capture below a folder: one row for each stick",
    "redact": "write a copy without file contents and serial numbers",
    "watch": "show what happens on a bus while it happens",
    "shrink": "write the smallest part that shows the same, for a report",
    "view": "read a capture on a full screen",
    "completion": "write what a shell needs to complete verbs, options and words",
    "quiz": "ask what the stick answered, and say what is right and why",
    "demo": "run on a capture that comes with sticktrace",
}
"""Verb -> what it does. The module is `sticktrace.cli.<verb>`, its click command is called ``command``."""

GROUPS = {
    "Find out why": ("diagnose", "watch", "compare", "fit", "audit"),
    "Look closely": ("exchanges", "requests", "devices", "explain", "volume", "timing", "check", "view"),
    "Learn and teach": ("about", "draw", "compose", "patterns", "demo", "quiz", "completion"),
    "Pass on and measure": ("report", "export", "survey", "redact", "shrink"),
}
"""Verbs by what they are used for; each stands in one group."""

COMPLETE = "_STICKTRACE_COMPLETE"
"""Set by a shell that asks for completions; says which shell, and how."""

COLOUR = "sticktrace.colour"
"""Where the choice of --color is kept among the facts of a run."""

EXIT_FAULT, EXIT_USE, EXIT_UNREADABLE, EXIT_INTERNAL, EXIT_STOPPED = 1, 2, 3, 4, 128
"""A program that a signal stopped ends with 128 and the number of the signal: 130 for Ctrl-C, 143 for a kill."""


_ENDINGS = ("SIGINT", "SIGTERM", "SIGHUP")


class Stopped(BaseException):
    """A signal asks the program to end; what is not finished is taken away on the way out."""


class Verbs(click.Group):
    """Loads a verb's module only when it is called, so that --help is instant. A first word that is no verb but an
    existing file, or "-", is diagnosed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        command: click.Command = importlib.import_module(f"sticktrace.cli.{cmd_name}").command
        if COMPLETE in os.environ:
            importlib.import_module("sticktrace.cli.completion").attach(command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        from sticktrace.cli.common import is_there

        if args and args[0] not in VERBS and (args[0] == "-" or is_there(args[0])):
            args = ["diagnose", *args]
        if args and args[0] not in VERBS and not args[0].startswith("-"):
            raise click.UsageError(_no_verb(args[0]))
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, verbs in GROUPS.items():
            with formatter.section(title):
                formatter.write_dl([(f"{verb:{_LONGEST}}", VERBS[verb]) for verb in verbs])


_LONGEST = max(map(len, VERBS))


def _no_verb(word: str) -> str:
    import difflib

    near = difflib.get_close_matches(word, VERBS, 1)
    hint = f"; is {near[0]} meant?" if near else ""
    return f"{word!r} is neither a verb nor a file that exists{hint}"


def _keep_colour(context: click.Context, _option: click.Parameter, when: str) -> None:
    context.meta[COLOUR] = when


@click.group(cls=Verbs, context_settings={"help_option_names": ["-h", "--help"]}, invoke_without_command=True)
@click.version_option(package_name="sticktrace", message="%(prog)s %(version)s")
@click.option(
    "--color", type=click.Choice(["auto", "always", "never"]), default="auto", show_default=True,
    expose_value=False, callback=_keep_colour, help="Colour: on a terminal without NO_COLOR, in pipes too, or not.",
)  # fmt: skip
@click.pass_context
def cli(context: click.Context) -> None:
    """Read a recording of USB mass-storage traffic and say what happened.

    CAPTURE is a pcap or pcapng file from a Linux or Windows host, usbmon text, hex lines from a firmware's console,
    or the log of a kernel, boot loader or board; "-" reads standard input. `sticktrace CAPTURE` alone diagnoses it.

    A capture holds private file contents and serial numbers: look before you pass one on (see redact).
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


def main() -> None:
    """Entry point: every error of ours becomes one line and an exit status, never a traceback."""
    _stand_in()
    with _in_good_order():
        try:
            status = _run()
            sys.stdout.flush()  # here and not at exit, where a full disk could no longer be told
        except BrokenPipeError:
            _give_up_output()
            status = 0
        except OSError as error:
            _give_up_output()
            _say(f"cannot write the output: {error.strerror or error}")
            status = EXIT_USE
        except (KeyboardInterrupt, click.Abort, Stopped) as stop:
            _give_up_output()
            click.echo("stopped", err=True)
            status = EXIT_STOPPED + (stop.args[0] if isinstance(stop, Stopped) else signal.SIGINT)
        except Exception as error:  # no error of ours, so a fault of ours
            from sticktrace.cli.internal import lines

            for line in lines(error, sys.argv[1:]):
                _say(line)
            status = EXIT_INTERNAL
    sys.exit(status)


@contextmanager
def _in_good_order() -> Iterator[None]:
    """The signals that ask a program to end come as an exception, unless the caller wants them ignored, as nohup does;
    and whenever they come, no unfinished file stays behind."""

    def stop(number: int, _frame: object) -> None:
        raise Stopped(number)

    ours = threading.current_thread() is threading.main_thread()
    numbers = [getattr(signal, name) for name in _ENDINGS if hasattr(signal, name)] if ours else []
    before = {number: signal.getsignal(number) for number in numbers}
    for number in numbers:
        if before[number] is signal.SIG_DFL:
            signal.signal(number, stop)
    try:
        yield
    finally:
        for number in numbers:
            signal.signal(number, signal.SIG_IGN)
        if "sticktrace.writing.unfinished" in sys.modules:
            sys.modules["sticktrace.writing.unfinished"].abandon()
        for number, handler in before.items():
            signal.signal(number, handler)


def _run() -> int:
    """Run the verb, or answer a shell that asks what could come next. Returns the exit status."""
    from sticktrace.errors import CaptureError, SticktraceError

    if how := os.environ.get(COMPLETE):
        answer: int = importlib.import_module("sticktrace.cli.completion").complete(how)
        return answer
    try:
        # Not click's own entry: that one ends with 1, which means a fault here, when a reader such as `head` goes away.
        with cli.make_context("sticktrace", sys.argv[1:]) as context:
            cli.invoke(context)
    except SystemExit as done:
        return done.code if isinstance(done.code, int) else int(done.code is not None)
    except click.exceptions.Exit as done:
        return done.exit_code
    except click.UsageError as error:
        verb = f" {error.ctx.info_name}" if error.ctx and error.ctx.parent else ""
        _say(f"{error.format_message()} (see sticktrace{verb} --help)")
        return EXIT_USE
    except click.ClickException as error:
        _say(error.format_message())
        return EXIT_USE
    except CaptureError as error:
        _say(error)
        return EXIT_UNREADABLE
    except SticktraceError as error:
        _say(error)
        return EXIT_USE
    return 0


def _stand_in() -> None:
    """A stream that was closed before we came reads as empty and swallows what is written; a character that the
    output's encoding lacks is written as an escape."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115 - open to the end
        elif mode == "w" and hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def _give_up_output() -> None:
    """Let what is still held for standard output go nowhere, or the interpreter would fail to write it at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _say(error: Exception | str) -> None:
    from sticktrace.text import safe

    click.echo(f"sticktrace: {safe(str(error))}", err=True)
