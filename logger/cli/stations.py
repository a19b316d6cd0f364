"""Choice of one or several stations by --config and --station."""

from __future__ import annotations

import os
import re
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar, cast

import click

from logger.config.load import ENVIRONMENT, SYSTEM_PATH, default_path, load_sections
from logger.errors import CalibrationError, ConfigError, StoreError, UsageError
from logger.wording import suggest

F = TypeVar("F", bound=Callable[..., Any])

ALL = "all"
SUFFIX = ".yaml"
# A configuration, but not a calibration file, which may lie in the same folder. A file that is not
# valid YAML counts as well, so that its error is reported.
DRIVER = re.compile(r"^driver\s*:", re.MULTILINE)
# Errors of one station that do not prevent a statement on the others.
STATION_ERRORS = (StoreError, ConfigError, CalibrationError)


def stations_option(function: F) -> F:
    """Add -c/--config and --station, both repeatable; the command receives `config_paths`."""

    @click.option(
        "-c",
        "--config",
        "config_paths",
        type=click.Path(path_type=Path),
        metavar="FILE",
        multiple=True,
        help="Configuration file; repeat it for several stations. Default: $MISMATCHD_CONFIG,"
        " ./config.yaml, then /etc/mismatchd/config.yaml.",
    )
    @click.option(
        "--station",
        "station_names",
        metavar="NAME",
        multiple=True,
        help="Station whose configuration is NAME.yaml, in the folder of --config, else of"
        " $MISMATCHD_CONFIG, else in this folder or in /etc/mismatchd; may be repeated."
        f" `{ALL}`: every configuration in the folder.",
    )
    @wraps(function)
    def run(
        *arguments: Any,
        config_paths: tuple[Path, ...],
        station_names: tuple[str, ...],
        **options: Any,
    ) -> Any:
        is_group = click.get_current_context().invoked_subcommand is not None
        paths: Sequence[Path] = ()  # the subcommand may name its own
        if config_paths or station_names or not is_group:
            paths = choose(config_paths, station_names, os.environ, Path.cwd())
        return function(*arguments, config_paths=paths, **options)

    return cast(F, run)


def choose(
    config_paths: Sequence[Path], names: Sequence[str], environ: Mapping[str, str], cwd: Path
) -> list[Path]:
    """Return the configuration files of the chosen stations, each once. Raise UsageError."""
    if not names:
        return list(dict.fromkeys(config_paths)) or [default_path(environ, cwd)]
    if len(config_paths) > 1:
        raise UsageError("give several --config, or --station with one --config at most")
    if config_paths:
        folders = [config_paths[0].parent]
    elif environ.get(ENVIRONMENT):
        folders = [(cwd / environ[ENVIRONMENT]).parent]
    else:
        folders = [cwd, SYSTEM_PATH.parent]
    return list(dict.fromkeys(path for name in names for path in _find(name, folders)))


def each_station(
    config_paths: Sequence[Path], show: Callable[[Path], object], headings: bool = True
) -> None:
    """Call `show` for the configuration of each station, with the names of several as headings.

    Of several stations, those with errors are named last, and the exit code is 1.
    """
    if len(config_paths) == 1:
        show(config_paths[0])
        return
    errors = []
    for path, name in zip(config_paths, name_stations(config_paths), strict=True):
        if headings:
            click.echo(name)
        try:
            show(path)
        except STATION_ERRORS as error:
            errors.append(f"mismatchd: {name}: {error}")
    for text in errors:
        click.echo(text, err=True)
    if errors:
        sys.exit(1)


def only(config_paths: Sequence[Path]) -> Path:
    """Return the configuration of the chosen station, else the default one. Raise UsageError."""
    if len(config_paths) > 1:
        raise UsageError("this command takes one station; name it with --station or --config")
    return config_paths[0] if config_paths else default_path(os.environ, Path.cwd())


def _find(name: str, folders: Sequence[Path]) -> list[Path]:
    """Return the files of a name, or of all stations, in the first folder that has them."""
    for folder in folders:
        path = folder / f"{name}{SUFFIX}"
        if name != ALL and name == Path(name).name and os.path.exists(path):
            return [path]
        if name == ALL and (paths := list(_configurations(folder))):
            return paths
    where = " or ".join(map(str, folders))
    if name == ALL:
        raise UsageError(f"--station {ALL}: no configuration in {where}")
    names = [path.stem for folder in folders for path in _configurations(folder)]
    advice = f"; {suggest(name, names, 'there are')}" if names else ""
    raise UsageError(f"--station {name}: no {name}{SUFFIX} in {where}{advice}")


def _configurations(folder: Path) -> Iterator[Path]:
    """Yield the configuration files of a folder, sorted by name; also those it may not read."""
    paths: list[Path] = []
    with suppress(OSError):
        paths = sorted(Path(entry.path) for entry in os.scandir(folder))
    for path in paths:
        if path.suffix != SUFFIX or path.name.startswith(".") or path.is_dir():
            continue
        try:
            if DRIVER.search(path.read_text("utf-8", "replace")):
                yield path
        except OSError:
            yield path


def name_stations(config_paths: Sequence[Path]) -> list[str]:
    """Return the names of stations; what several share is followed by the name of the file.

    A station whose configuration cannot be read has the name of the file.
    """
    names = []
    for path in config_paths:
        try:
            names.append(load_sections(path).station.name)
        except ConfigError:
            names.append(path.stem)
    times = Counter(names)
    files = [path.stem for path in config_paths]
    if len(set(files)) < len(files):
        files = [str(path) for path in config_paths]
    return [
        name if times[name] == 1 else f"{name} ({file})"
        for name, file in zip(names, files, strict=True)
    ]
