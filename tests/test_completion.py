"""Completion in the shells themselves, where they are installed."""

from __future__ import annotations

import os
import pty
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from conftest import ROOT

DEMO = ROOT / "traces" / "demo"

CASES = [
    ("dia", "diagnose"), ("exchanges heal", "healthy-boot.pcap"), ("exchanges a.pcap stal", "stalled:"),
    ("exchanges a.pcap status:pas", "status:passed"), ("exchanges a.pcap -direction:no", "-direction:none"),
    ("exchanges a.pcap --wi", "--wide"), ("about residue-li", "residue-lies"), ("demo unit", "unit-attention-giveup"),
    ("compose inq", "inquiry"), ("completion fi", "fish"),
]  # fmt: skip


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """One in which `sticktrace` is this tree's."""
    folder = tmp_path_factory.mktemp("bin")
    script = folder / "sticktrace"
    script.write_text(f"#!{sys.executable}\nimport sys\nfrom sticktrace.cli.main import main\nsys.exit(main())\n")
    script.chmod(0o755)
    paths = os.pathsep.join(str(ROOT / part) for part in ("decoder", "tui"))
    return {**os.environ, "PATH": f"{folder}{os.pathsep}{os.environ['PATH']}", "PYTHONPATH": paths,
            "HOME": str(folder), "TERM": "dumb"}  # fmt: skip


def needs(shell: str) -> pytest.MarkDecorator:
    return pytest.mark.skipif(shutil.which(shell) is None, reason=f"{shell} is not installed")


BASH = """
eval "$(sticktrace completion bash)"
compopt() { :; }
name=$(complete -p sticktrace); name=${name##*-F }; name=${name%% *}
while IFS= read -r COMP_LINE; do
    COMP_POINT=${#COMP_LINE}; COMPREPLY=(); "$name" sticktrace
    # What readline does: it puts a reply in place of what stands behind the last colon.
    current=${COMP_LINE##* }; before=${current%"${current##*[:=]}"}
    for reply in "${COMPREPLY[@]}"; do printf '%s%s ' "$before" "$reply"; done; echo
done
"""


@needs("bash")
def test_bash(environment: dict[str, str]) -> None:
    lines = "".join(f"sticktrace {typed}\n" for typed, _ in CASES)
    done = subprocess.run(["bash", "--norc", "-c", BASH], input=lines, capture_output=True, text=True, check=True,
                          cwd=DEMO, env=environment)  # fmt: skip
    for (typed, wanted), offered in zip(CASES, done.stdout.splitlines(), strict=True):
        assert wanted in offered.split(), typed


@needs("fish")
@pytest.mark.parametrize(("typed", "wanted"), CASES)
def test_fish(typed: str, wanted: str, environment: dict[str, str]) -> None:
    script = f"sticktrace completion fish | source; complete -C 'sticktrace {typed}'"
    done = subprocess.run(["fish", "--no-config", "-c", script], capture_output=True, text=True, check=True, cwd=DEMO,
                          env=environment)  # fmt: skip
    assert wanted in [line.split("\t")[0].replace("\\", "") for line in done.stdout.splitlines()]


@needs("zsh")
def test_zsh(environment: dict[str, str]) -> None:
    """On a terminal of its own: what stands in the line after a tab."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(DEMO)
        os.execvpe("zsh", ["zsh", "-f", "-i"], environment)
    setup = 'PS1="> "; unsetopt beep prompt_sp; autoload -U compinit; compinit -u -D\n'
    try:
        os.write(terminal, setup.encode() + b'eval "$(sticktrace completion zsh)"\n')
        os.write(terminal, b"echo rea''dy\n")
        _until(terminal, "ready")
        for typed, wanted in CASES:
            os.write(terminal, f"sticktrace {typed}\t".encode())
            _until(terminal, wanted)
            os.write(terminal, b"\x15\n")
    finally:
        os.close(terminal)
        os.waitpid(pid, 0)


def _until(terminal: int, wanted: str) -> None:
    """Reads on until a word was shown."""
    shown, end = "", time.monotonic() + 60
    while wanted not in shown.replace("\r", "").replace("\n", ""):
        left = end - time.monotonic()
        assert left > 0 and select.select([terminal], [], [], left)[0], (wanted, shown)
        shown += os.read(terminal, 4096).decode(errors="replace")


def test_a_shell_that_is_not_known_is_refused() -> None:
    from click.testing import CliRunner

    from sticktrace.cli.main import cli

    done = CliRunner().invoke(cli, ["completion", "sh"])
    assert done.exit_code == 2 and "bash" in done.output


def test_nothing_is_loaded_for_it_without_a_shell_asking() -> None:
    code = "import sys; from sticktrace.cli.main import cli; cli.get_command(None, 'exchanges'); "
    code += "print('sticktrace.cli.completion' in sys.modules)"
    paths = os.pathsep.join(str(ROOT / part) for part in ("decoder", "tui"))
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                          env={"PYTHONPATH": paths, "PATH": str(Path(sys.executable).parent)})  # fmt: skip
    assert done.stdout.strip() == "False"
