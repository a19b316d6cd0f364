"""`mismatchd setup`: from nothing to a watch that runs."""

from __future__ import annotations

import os
from pathlib import Path

import click

from logger.calibration.points_file import PointsFile
from logger.cli.guides.session import stoppable
from logger.cli.guides.setup import SetupGuide
from logger.cli.guides.terminal import Terminal
from logger.cli.station import config_option
from logger.config.load import ENVIRONMENT, Config, load
from logger.errors import ConfigError, MismatchdError
from logger.live.status import ask
from logger.setup import unit
from logger.setup.answers import Answers, AnswersFile
from logger.setup.rendering import CALIBRATION
from logger.wording import parse_positive

WAYS = {
    "w": "a wattmeter, and the power can be set to several values (the best)",
    "o": "an oscilloscope across the dummy load, and several values",
    "1": "a wattmeter, and one power only: wider intervals",
    "n": "no instrument: the SWR only, watts are relative",
    "s": "later",
}


@click.command("setup")
@config_option
def command(config_path: Path | None) -> int:
    """Set up a station: port, configuration, calibration, service.

    Finds the bridge's port, or a converter of this host, and reads what it sends, asks for the
    station, checks the coupler's ports with one short key-down into a dummy load, writes the
    configuration, and leads through the calibration to a running daemon. The same command continues
    an interrupted setup. An existing configuration is replaced only if you say so, and kept as
    FILE.old.
    """
    path = (config_path or Path(os.environ.get(ENVIRONMENT) or "config.yaml")).absolute()
    terminal = Terminal()
    with stoppable(
        terminal,
        lambda: "stopped; `mismatchd setup` continues from here",
        lambda: (
            "the input ended before the setup was complete; `mismatchd setup` continues from here"
        ),
    ):
        config = _present(terminal, path)
        answers = Answers()
        if config is None:
            answers = _unfinished(terminal, path)
            config = SetupGuide(terminal, path, answers).run()
        if not _calibrate(terminal, config, answers.highest_w):
            return 0
        terminal.say("")
        _invoke("check", path)
        _write_unit(terminal, config)
        return _start(terminal, config)


def _present(terminal: Terminal, path: Path) -> Config | None:
    """Return the configuration that exists and is to be kept, None for a new one."""
    if not path.exists() or AnswersFile(path).read() is not None:
        return None
    try:
        config = load(path)
    except ConfigError as error:
        terminal.say(str(error))
        terminal.answer("Enter: prepare a new one; q: quit:")
        return None
    terminal.say(f"{path} exists and is valid (driver {config.kind}).")
    answer = terminal.answer("Enter: keep it and go on; n: prepare a new one:")
    return None if answer.lower() in ("n", "no") else config


def _unfinished(terminal: Terminal, path: Path) -> Answers:
    """Return the answers of an interrupted setup that is to be continued, or none."""
    answers = AnswersFile(path).read()
    if answers is None:
        return Answers()
    terminal.say(f"An unfinished setup: {answers.kind} at {answers.device or answers.port}.")
    again = terminal.answer("Continue it? (Enter: yes, n: start a new one, q: quit)").lower()
    return Answers() if again in ("n", "no") else answers


def _calibrate(terminal: Terminal, config: Config, highest_w: float | None) -> bool:
    """Calibrate the coupler if that was not done; return True if there is a calibration.

    highest_w  the transmitter's highest power, proposed for the session; None if not known
    """
    calibration = config.calibration.file or config.path.with_name(CALIBRATION)
    if config.kind == "simulated" or calibration.exists():
        return True
    terminal.say("")
    terminal.say(
        "The coupler must be calibrated once, with a dummy load: `mismatchd handbook calibrating`."
        " What do you have?"
    )
    for key, text in WAYS.items():
        terminal.say(f"- {key}: {text}")
    while (way := terminal.answer("Your choice [w]:").lower() or "w") not in WAYS:
        terminal.say(f"{way!r} is none of {', '.join(WAYS)}.")
    points = config.path.with_name("points.csv")
    if highest_w is not None and not points.exists():
        PointsFile(points).state_highest_w(highest_w)
    arguments = [str(points), "-o", str(calibration)]
    match way:
        case "s":
            terminal.say(
                "The daemon needs a calibration: run `mismatchd setup` again, which goes on here."
            )
            return False
        case "o":
            arguments += ["--reference", "vpp"]
        case "1":
            watts = None
            while watts is None:
                watts = parse_positive(terminal.answer("That power, W:").rstrip(" Ww"))
            arguments += ["--powers", f"{watts:g}", "--conditions", "matched,reversed"]
            arguments += ["--detector", "schottky"]
        case "n":
            arguments += ["--reference", "none", "--powers", "1,2"]
            arguments += ["--conditions", "matched,reversed"]
            terminal.say("Choose two power settings; the session calls them 1 and 2.")
    _invoke("calibrate", config.path, "bench", *arguments)
    return calibration.exists()


def _write_unit(terminal: Terminal, config: Config) -> None:
    """Write the unit beside the configuration, and tell how to enable it."""
    path = config.path.with_name(unit.NAME)
    port = getattr(config.driver_options, "port", None)
    group = None if port is None else unit.group_of(port)
    shipped = unit.SHIPPED.read_text(encoding="utf-8")
    text = unit.unit(shipped, group, has_converter=config.kind == "iio")
    is_new = not path.exists()
    if is_new:
        try:
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise MismatchdError(f"{path}: cannot be written: {error.strerror}") from error
    files = [file for file in (config.calibration.file,) if file is not None and file.exists()]
    terminal.say("")
    terminal.say(
        f"{'Wrote' if is_new else 'Kept'} {path}. To start the daemon with the host, run in the"
        " checkout of this program:"
    )
    for line in unit.install_commands(config.path, *files):
        click.echo(f"  {line}", err=True)


def _start(terminal: Terminal, config: Config) -> int:
    """Run the daemon here, if the user wants that."""
    if (status := ask(config.store.path)) is not None:
        terminal.say(f"The daemon is running already (pid {status.pid}).")
        return 0
    terminal.say("")
    terminal.say("`mismatchd live` in a second terminal shows the reading.")
    answer = terminal.answer("Start the daemon here now? (Enter: yes, until Ctrl-C; n: no)")
    return 0 if answer.lower() in ("n", "no") else _invoke("run", config.path)


def _invoke(name: str, path: Path, *arguments: str) -> int:
    """Run another command with this configuration."""
    from logger.cli import command as root

    group = root.get_command(click.Context(root), name)
    assert group is not None
    code = group.main(
        [*arguments, "-c", str(path)], prog_name=f"mismatchd {name}", standalone_mode=False
    )
    return code if isinstance(code, int) else 0
