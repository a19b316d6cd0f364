"""Shared by several commands: common options, configuration, calibration, store."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from logger.config import load as config_file
from logger.errors import ConfigError

if TYPE_CHECKING:
    from logger.calibration.coupler import Coupler
    from logger.calibration.file import CalibrationFile
    from logger.config.load import Config, Sections
    from logger.store.writer import StoreWriter

F = TypeVar("F", bound=Callable[..., Any])


def config_option(function: F) -> F:
    """Add -c/--config; the command receives `config_path`."""
    return click.option(
        "-c",
        "--config",
        "config_path",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Configuration file. Default: $MISMATCHD_CONFIG, ./config.yaml, then"
        " /etc/mismatchd/config.yaml.",
    )(function)


def local_option(function: F) -> F:
    """Add --local/--utc; the command receives `local`, None if neither is given."""
    return click.option(
        "--local/--utc",
        "local",
        default=None,
        help="Print times in the configured `time_zone`, or else that of this host; or in UTC."
        " Default: `time_zone` if it is configured, else UTC.",
    )(function)


def zone_of(sections: Sections, local: bool | None) -> tzinfo:
    """Return the time zone for what a person reads."""
    from logger.local_time import reader_zone

    return reader_zone(local, sections.time_zone, os.environ)


def output_option(text: str) -> Callable[[F], F]:
    """Add -o/--output, the file to write; the command receives `output`."""
    return click.option(
        "-o",
        "--output",
        required=True,
        type=click.Path(path_type=Path, dir_okay=False),
        metavar="FILE",
        help=text,
    )


def _echo(text: str) -> None:
    click.echo(text, err=True)


def configuration(config_path: Path | None, warn: Callable[[str], None] = _echo) -> Config:
    """Load the configuration; each of its warnings goes to `warn`. Raises ConfigError."""
    config = config_file.load(config_path or config_file.default_path(os.environ, Path.cwd()))
    for warning in config.warnings:
        warn(f"warning: {warning}")
    return config


def config_sections(config_path: Path | None) -> Sections:
    """Load the configuration without importing the driver. Raises ConfigError."""
    path = config_path or config_file.default_path(os.environ, Path.cwd())
    return config_file.load_sections(path)


def store_path(config_path: Path | None) -> Path:
    """Return the path of the store, without importing the driver. Raises ConfigError."""
    return config_sections(config_path).store.path


def up_to_date(store: Path) -> Path:
    """Return the path of a store, to which a running daemon has added all its rows so far."""
    from logger.live.status import have_stored

    have_stored(store)
    return store


def configuration_if_any(config_path: Path | None) -> Config | None:
    """Load the configuration; return None if none is named or found. Raises ConfigError."""
    if config_path is None:
        try:
            config_path = config_file.default_path(os.environ, Path.cwd())
        except ConfigError:
            return None
    return configuration(config_path)


def calibration_of(config: Config, warn: Callable[[str], None] = _echo) -> CalibrationFile:
    """Return the calibration: the configured file, or the exact one of a simulated coupler.

    Raises ConfigError if there is none, CalibrationError if it is unusable.
    """
    from logger.calibration.file import load

    if config.calibration.file is not None:
        content = load(config.calibration.file)
        if warning := wrong_coupler(content, config.kind):
            warn(f"warning: {config.calibration.file}: {warning}")
        return content
    if config.kind != "simulated":
        raise ConfigError(
            f"{config.path}: calibration: missing; name the coupler's calibration file. Not made"
            " yet? Run `mismatchd calibrate bench points.csv -o coupler.yaml`"
        )
    from drivers.simulated.driver import SimulatedDriver
    from logger.calibration.simulated import calibration

    driver = config.make_driver()
    assert isinstance(driver, SimulatedDriver)
    truth = driver.truth()
    return calibration(truth.coupler, truth.adc)


def wrong_coupler(content: CalibrationFile, kind: str) -> str | None:
    """Return a warning if a real coupler is read by the calibration of the simulated one."""
    from logger.calibration.file import SIMULATED

    # A recording of the simulated station may well be replayed.
    if content.instrument.get("coupler") != SIMULATED or kind in ("simulated", "replay"):
        return None
    return (
        "this calibration is that of the simulated coupler: watts and SWR are wrong; run"
        " `mismatchd calibrate bench points.csv -o coupler.yaml`"
    )


def coupler_of(config: Config) -> Coupler:
    """Return the calibrated coupler. Raises ConfigError, CalibrationError."""
    from logger.calibration.coupler import Coupler

    return Coupler(
        calibration_of(config), config.station.frequency_khz, config.station.temperature_range_c
    )


def line_db(config: Config, mhz: float | None = None) -> float | None:
    """Return the nominal loss of the installed line, dB, None if unknown. Raises UsageError."""
    from logger.feedline.cables import attenuation
    from logger.feedline.frequency import USUAL_MHZ, mhz_of

    coax, mhz = config.feedline, mhz or mhz_of(config.station) or USUAL_MHZ
    if coax.cable is None or coax.length_m is None:
        return None
    return attenuation(coax.cable, mhz).nominal * coax.length_m / 100


def make_ready(config: Config, coupler: Coupler) -> None:
    """Create or migrate the store and record the calibration in it, unless a daemon runs.

    Raises StoreError.
    """
    from logger.calibration.file import dump
    from logger.live.status import ask

    if ask(config.store.path) is None:
        with created_store(config.store.path) as store:
            store.insert_calibration(coupler.id, dump(coupler.content))


@contextmanager
def created_store(path: Path) -> Iterator[StoreWriter]:
    """Open the store, created or migrated if needed, while no daemon uses it. Raises StoreError."""
    from logger.store.lock import StoreLock
    from logger.store.writer import StoreWriter

    lock = StoreLock(path)
    try:
        with StoreWriter.open(path) as store:
            yield store
    finally:
        lock.release()
