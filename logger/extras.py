"""Packages that a plain installation leaves out, and the extra that brings each."""

from __future__ import annotations

from logger.errors import MissingPackageError

EXTRAS = {
    "matplotlib": "charts",
    "scipy": "trend",
    "pyarrow": "parquet",
    "dask": "fleet",
    "distributed": "fleet",
    "duckdb": "fleet",
    "fsspec": "fleet",
    "s3fs": "fleet",
}


def require(package: str) -> None:
    """Raise ModuleNotFoundError at once for a package that is imported late."""
    from importlib.util import find_spec

    if find_spec(package) is None:
        raise ModuleNotFoundError(name=package)


def explain_missing(error: ModuleNotFoundError, user: str) -> MissingPackageError:
    """Return what to install, as `user` needs it; raise `error` again if no extra brings it."""
    package = (error.name or "").partition(".")[0]
    if package not in EXTRAS:
        raise error
    return MissingPackageError(
        f"{user} needs {package}, which is not installed:"
        f" pip install 'mismatchd[{EXTRAS[package]}]'"
    )
