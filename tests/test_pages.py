"""Manual pages and shell completions: complete, without warnings, and used by the real programs."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from logger.cli import command as root
from logger.handbook.reference import configuration, walk
from tests.servers import needed

PROGRAM = Path(__file__).parent.parent / "package/pages.py"
BIN = Path(sys.executable).parent


@pytest.fixture(scope="module")
def share(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("share")
    subprocess.run([sys.executable, PROGRAM, folder], check=True)
    return folder


def shell(program: str, *arguments: str | Path) -> str:
    """What a shell prints; `mismatchd` is on its path."""
    return subprocess.run(
        [needed(program), *arguments],
        env={**os.environ, "PATH": f"{BIN}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        check=True,
    ).stdout


def test_every_command_option_and_key_has_its_place(share: Path) -> None:
    overview = (share / "man/man1/mismatchd.1").read_text()
    for context, command in walk(root, "mismatchd"):
        name = context.command_path
        text = (share / f"man/man1/{name.replace(' ', '-')}.1").read_text()
        assert name.partition(" ")[2] in overview
        for param in command.get_params(context):
            if param.param_type_name == "option":
                assert all(option.replace("-", "\\-") in text for option in param.opts), name
    keys = (share / "man/man5/mismatchd.yaml.5").read_text()
    for section in configuration().values():
        assert all(f"\\fB{key.name}\\fR\n" in keys for key in section)


def test_the_formatter_has_nothing_to_warn_of(share: Path) -> None:
    pages = sorted((share / "man").glob("*/*"))
    assert len(pages) > 40
    done = subprocess.run(
        [needed("groff"), "-man", "-ww", "-z", "-Kutf8", *pages],
        capture_output=True,
        text=True,
        check=True,
    )
    assert (done.stdout, done.stderr) == ("", "")


@pytest.mark.realtime
def test_shells_complete_commands_and_words(share: Path) -> None:
    bash = share / "bash-completion/completions/mismatchd"
    complete = 'source "$0"; COMP_WORDS=($1); COMP_CWORD=$2; _mismatchd_completion mismatchd'
    show = '; echo "${COMPREPLY[@]}"'
    assert shell("bash", "-c", complete + show, bash, "mismatchd exp", "1") == "export\n"
    assert shell("bash", "-c", complete + show, bash, "mismatchd export se", "2") == "seconds\n"


@pytest.mark.realtime
def test_fish_and_zsh_take_the_files(share: Path) -> None:
    fish = share / "fish/vendor_completions.d/mismatchd.fish"
    assert "export" in shell("fish", "-c", f"source {fish}; complete -C 'mismatchd exp'")
    shell("zsh", "-n", share / "zsh/vendor-completions/_mismatchd")
