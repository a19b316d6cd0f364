"""Write the manual pages and the shell completions of an installed `mismatchd` into a folder.

Run it with the Python of the environment in which `mismatchd` is installed:
`python package/pages.py DIR`. Both are generated from the commands, as the handbook's reference is.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path

import click
from click.shell_completion import get_completion_class

from logger.cli import command as root
from logger.handbook.reference import FILE_FORMAT, Key, configuration, walk

COMPLETIONS = {
    "bash": "bash-completion/completions/mismatchd",
    "zsh": "zsh/vendor-completions/_mismatchd",
    "fish": "fish/vendor_completions.d/mismatchd.fish",
}
FILES = {
    "/etc/mismatchd/config.yaml": "Configuration, unless another is named or is in the folder.",
    "/var/lib/mismatchd": "Store of the service.",
}
EXIT = {
    "0": "Success.",
    "1": "A failure while running.",
    "2": "Wrong usage or configuration.",
}


def escape(text: str) -> str:
    """Return text for troff: nothing in it is a request or an escape."""
    text = text.replace("\\", "\\e").replace("-", "\\-")
    return re.sub(r"^([.'])", r"\\&\1", text, flags=re.MULTILINE)


def page(name: str, section: int, summary: str, body: Iterator[str]) -> str:
    """Return a manual page."""
    title = escape(name.replace(" ", "-"))
    head = f'.TH "{title.upper()}" {section} "" "mismatchd" "mismatchd"'
    return "\n".join((head, ".SH NAME", f"{title} \\- {escape(summary)}", *body, ""))


def terms(heading: str, entries: dict[str, str]) -> Iterator[str]:
    """Yield a section of terms and their descriptions."""
    if entries:
        yield f".SH {heading}"
        for term, text in entries.items():
            yield from (".TP", f"\\fB{escape(term)}\\fR", escape(text))


def paragraphs(text: str) -> Iterator[str]:
    for part in text.split("\n\n"):
        yield from (".PP", escape(" ".join(part.split())))


def of_command(context: click.Context, command: click.Command) -> Iterator[str]:
    usage = " ".join(command.collect_usage_pieces(context))
    yield from (".SH SYNOPSIS", f"\\fB{escape(context.command_path)}\\fR {escape(usage)}")
    yield ".SH DESCRIPTION"
    yield from paragraphs(command.help or "")
    records = [param.get_help_record(context) for param in command.get_params(context)]
    yield from terms("OPTIONS", dict(record for record in records if record is not None))
    yield from terms("EXIT STATUS", EXIT)
    yield from (".SH SEE ALSO", "\\fBmismatchd\\fR(1), \\fBmismatchd.yaml\\fR(5)")


def of_root(pages: dict[str, str]) -> Iterator[str]:
    yield from (".SH SYNOPSIS", "\\fBmismatchd\\fR COMMAND [OPTIONS]", ".SH DESCRIPTION")
    yield from paragraphs(root.help or "")
    yield from terms("COMMANDS", pages)
    yield from terms("ENVIRONMENT", {"MISMATCHD_CONFIG": "Configuration file to use."})
    yield from terms("FILES", FILES)
    yield from terms("EXIT STATUS", EXIT)
    yield ".SH SEE ALSO"
    yield "\\fBmismatchd.yaml\\fR(5), \\fBmismatchd\\-run\\fR(1), \\fBmismatchd handbook\\fR"


def of_configuration() -> Iterator[str]:
    yield ".SH DESCRIPTION"
    yield from paragraphs(FILE_FORMAT)
    for heading, keys in configuration().items():
        yield from terms(f'"{escape(heading.upper())}"', {key.name: of_key(key) for key in keys})
    yield from (".SH SEE ALSO", "\\fBmismatchd\\fR(1), \\fBmismatchd\\-check\\fR(1)")


def of_key(key: Key) -> str:
    value = ", ".join(part for part in (key.type, key.unit) if part)
    default = key.default.strip("`")
    note = {"required": "; required", "": ""}.get(default, f"; default {default}")
    return f"{key.description} ({value}{note})"


def summary_of(command: click.Command) -> str:
    return command.get_short_help_str(200).rstrip(".")


def manuals() -> Iterator[tuple[str, str]]:
    """Yield file names and texts of all pages."""
    commands: dict[str, str] = {}
    for context, command in walk(root, "mismatchd"):
        summary = commands[context.command_path.partition(" ")[2]] = summary_of(command)
        text = page(context.command_path, 1, summary, of_command(context, command))
        yield f"man1/{context.command_path.replace(' ', '-')}.1", text
    yield "man1/mismatchd.1", page("mismatchd", 1, summary_of(root), of_root(commands))
    summary = "configuration of mismatchd"
    yield "man5/mismatchd.yaml.5", page("mismatchd.yaml", 5, summary, of_configuration())


def completions() -> Iterator[tuple[str, str]]:
    """Yield file names and texts of the completions, by shell."""
    for shell, name in COMPLETIONS.items():
        kind = get_completion_class(shell)
        assert kind is not None
        source = kind(root, {}, "mismatchd", "_MISMATCHD_COMPLETE")
        yield name, kind.source_template % source.source_vars()


def main(folder: Path) -> None:
    """Write all pages and completions below `folder`, as below /usr/share."""
    files = [(f"man/{name}", text) for name, text in manuals()]
    for name, text in [*files, *completions()]:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
