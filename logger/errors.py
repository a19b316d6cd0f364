"""Errors shown to the user, each as one clear line. Foreign errors are wrapped at their origin.

MismatchdError          exit 1
  StoreError              the database could not be opened, read or written
    DamageError             its content is corrupted
    DiskError               the disk is full or fails
    StoreInUseError         another daemon holds its lock
    NewerStoreError         a newer program has written it; exit 2
  RemoteError             the object store of many stations
    RefusedError            the key may not read or write an object
    MissingError            there is no such object
  MissingPackageError     an extra is not installed
  UsageError            exit 2
    ForeignFileError      the file named as the store is something else
    ConfigError           a configuration file, with file, line and key
    CalibrationError      a calibration file, with file and key
    BenchPointError       bench points, with file and row
"""

from __future__ import annotations


class MismatchdError(Exception):
    """Base of all errors that are shown to the user as one line."""

    exit_code = 1


class StoreError(MismatchdError):
    """The database could not be opened, read or written."""


class DamageError(StoreError):
    """The database is damaged: its content differs from what was written."""


class DiskError(StoreError):
    """The disk is full or fails; a retry later may succeed."""


class StoreInUseError(StoreError):
    """Another daemon holds the lock of the store."""


class NewerStoreError(StoreError):
    """A newer version of this program has written the database."""

    exit_code = 2


class RemoteError(MismatchdError):
    """The object store of `store.remote` is not reached, or does not take or give an object."""


class RefusedError(RemoteError):
    """The key may not read or write an object."""


class MissingError(RemoteError):
    """There is no such object."""


class StatusError(MismatchdError):
    """The daemon's local socket cannot be created."""


class MissingPackageError(MismatchdError):
    """A package that an extra brings is not installed; see `extras`."""


class UsageError(MismatchdError):
    """Wrong usage: nothing was done."""

    exit_code = 2


class ForeignFileError(UsageError):
    """The file was not written by this program, so it is left alone."""


class ConfigError(UsageError):
    """An invalid configuration: `file:line: key: what is wrong and what to do`."""


class CalibrationError(UsageError):
    """An invalid calibration file: `file: key: what is wrong and what to do`."""


class BenchPointError(UsageError):
    """Invalid bench points: `file:row: what is wrong and what to do`."""
