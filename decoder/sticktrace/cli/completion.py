"""`sticktrace completion`: what a shell needs to complete verbs, options, selection words and file names."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

import click
from click.shell_completion import (
    BashComplete,
    CompletionItem,
    ShellComplete,
    add_completion_class,
    get_completion_class,
)

_BASH = """\
%(complete_func)s() {
    local IFS=$'\\n' line=${COMP_LINE:0:COMP_POINT} response item kind
    # By hand, because bash splits words at colons: selection words have one.
    read -r -a words -d '' < <(printf '%%s\\0' "$line" | tr -s ' ' '\\n')
    [[ $line == *' ' ]] && words+=("")
    local current=${words[-1]}
    local before=${current%%"${current##*[:=]}"}
    response=$(env COMP_WORDS="$(printf '%%s\\n' "${words[@]}")" COMP_CWORD=$((${#words[@]} - 1)) \\
        %(complete_var)s=bash_complete "$1")
    COMPREPLY=()
    for item in $response; do
        kind=${item%%%%,*}
        item=${item#*,}
        if [[ $kind == file || $kind == dir ]]; then
            compopt -o filenames
            COMPREPLY+=($(compgen -f -- "$current"))
        else
            COMPREPLY+=("${item#"$before"}")
        fi
    done
}
complete -o nosort -F %(complete_func)s %(prog_name)s
"""


@add_completion_class
class Bash(BashComplete):
    """Bash of version 4.4 or later."""

    source_template = _BASH

    def source(self) -> str:
        """The shell's part; unlike click's own, without starting a bash to ask for its version."""
        return ShellComplete.source(self)


class _Completing(click.types.StringParamType):
    """Any text; ``offer`` gives what a shell may put in place of what was typed so far."""

    def __init__(self, offer: Callable[[str], Iterable[CompletionItem]]) -> None:
        self._offer = offer

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        return [item for item in self._offer(incomplete) if item.type != "plain" or item.value.startswith(incomplete)]


def _files(typed: str) -> Iterator[CompletionItem]:
    yield CompletionItem(typed, type="file")


def _selection(typed: str) -> Iterator[CompletionItem]:
    """Keys, and behind a key its values where they can be listed."""
    from sticktrace.output.selection import KEYS, USE, values

    turned = "-" if typed.startswith("-") else ""
    key, colon, value = typed.removeprefix("-").partition(":")
    if not colon:
        for known in KEYS:
            yield CompletionItem(f"{turned}{known}:", help=USE[known])
        return
    done, comma, _ = value.rpartition(",")
    for one in values(key):
        yield CompletionItem(f"{turned}{key}:{done}{comma}{one}")


def _commands(typed: str) -> Iterator[CompletionItem]:
    from sticktrace.output.selection import plain
    from sticktrace.storage.commands import names

    for name in names():
        yield CompletionItem(plain(name))


def _words(typed: str) -> Iterator[CompletionItem]:
    from sticktrace.words.dictionary import entries
    from sticktrace.words.entry import Kind

    for entry in entries():
        if entry.kind in (Kind.TERM, Kind.STAGE, Kind.FINDING) and " " not in entry.name:
            yield CompletionItem(entry.name, help=entry.says)


def _demos(typed: str) -> Iterator[CompletionItem]:
    from sticktrace.cli.demo import WHAT

    for name, what in WHAT.items():
        yield CompletionItem(name, help=what)


_BY_METAVAR: dict[str, Callable[[str], Iterable[CompletionItem]]] = {
    "CAPTURE": _files, "GOOD": _files, "BAD": _files, "IN": _files, "FILE": _files, "OUT": _files, "SOURCE": _files,
    "[KEY:VALUE]...": _selection, "COMMAND": _commands, "[WORD]...": _words, "[NAME]": _demos,
}  # fmt: skip


def attach(command: click.Command) -> None:
    """Lets the parameters of a verb complete by what their metavar says they take."""
    context = click.Context(command)
    for parameter in command.params:
        metavar = parameter.make_metavar(context)
        word = next((word for word in _BY_METAVAR if word == metavar or word in metavar.replace("...", "").split()), "")
        if word and isinstance(parameter.type, click.types.StringParamType):
            parameter.type = _Completing(_BY_METAVAR[word])


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def command(shell: str) -> None:
    """Write what SHELL needs to complete verbs, options, selection words and file names.

    \b
    Put one of these where your shell reads its settings:
      eval "$(sticktrace completion bash)"           # ~/.bashrc
      eval "$(sticktrace completion zsh)"            # ~/.zshrc, behind compinit
      sticktrace completion fish | source            # ~/.config/fish/config.fish
    """
    from sticktrace.cli.main import COMPLETE, cli

    kind: Any = get_completion_class(shell)
    click.echo(kind(cli, {}, "sticktrace", COMPLETE).source())


def complete(how: str) -> int:
    """Answers a shell that asks, in the way that ``how`` says. Returns the exit status."""
    from click.shell_completion import shell_complete

    from sticktrace.cli.main import COMPLETE, cli

    return shell_complete(cli, {}, "sticktrace", COMPLETE, how)
