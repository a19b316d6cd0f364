"""The errors a person can meet, each one clear line. Foreign errors are wrapped where they enter.

MismatchdError          exit 1
  StoreError              the database could not be opened, read or written
    DamageError             its content is not as it was written
    DiskError               the disk is full or fails
  UsageError            exit 2
    ConfigError           a configuration file, with file, line and key
    CalibrationError      a calibration file, with file and key
    BenchPointError       bench points, with file and row
"""

from __future__ import annotations


class MismatchdError(Exception):
    """Base of all errors that are told to the person as one line."""

    exit_code = 1


class StoreError(MismatchdError):
    """The database could not be opened, read or written."""


class DamageError(StoreError):
    """The database is damaged: what is in it is not what was written."""


class DiskError(StoreError):
    """The disk is full or fails: to wait and try again may help."""


class StatusError(MismatchdError):
    """The daemon's local socket cannot be made."""


class UsageError(MismatchdError):
    """Wrong usage: nothing was done."""

    exit_code = 2


class ConfigError(UsageError):
    """A configuration that cannot be used: `file:line: key: what is wrong and what to do`."""


class CalibrationError(UsageError):
    """A calibration file that cannot be used: `file: key: what is wrong and what to do`."""


class BenchPointError(UsageError):
    """Bench points that cannot be used: `file:row: what is wrong and what to do`."""
