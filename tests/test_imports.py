"""Imports point one way: a package imports only packages above it in DEVELOPERS.md's table."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
# From the lowest up. Modules of one line do not import each other's package.
LAYERS = (
    "bands blocks cautions daily errors wording",
    "extras places quantiles utc",
    "local_time rows",
    "physics",
    "calibration config",
    "stages",
    "watchdog",
    "faults",
    "pipeline",
    "feedline verification",
    "store",
    "live trend",
    "outlets",
    "forward notify",
    "diagnosis",
    "service",
    "daemon tune",
    "charts dashboard isolate setup wiggle",
    "handbook report recompute",
    "fleet page",
    "cli",
)
HEIGHT = {name: height for height, names in enumerate(LAYERS) for name in names.split()}
MODULES = sorted((ROOT / "logger").rglob("*.py"))


def package_of(module: str) -> str:
    """The package or loose module of `logger.package.module`."""
    return module.split(".")[1]


def imported(path: Path) -> Iterator[str]:
    """Modules of the product that a module imports, also inside functions."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            if node.module == "logger":
                yield from (f"logger.{alias.name}" for alias in node.names)
            else:
                yield node.module


def test_each_package_has_its_place() -> None:
    present = {package_of(_name(path)) for path in MODULES if path.parent != ROOT / "logger"}
    present |= {path.stem for path in (ROOT / "logger").glob("*.py")} - {"__init__"}
    assert present == set(HEIGHT)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_point_down(path: Path) -> None:
    if path == ROOT / "logger/__init__.py":
        return
    own = package_of(_name(path))
    names = {name for name in imported(path) if name.startswith("logger.")}
    others = {package_of(name) for name in names} - {own}
    assert {other for other in others if HEIGHT[other] >= HEIGHT[own]} == set()


@pytest.mark.parametrize("path", sorted((ROOT / "drivers").rglob("*.py")), ids=str)
def test_drivers_know_nothing_of_the_logger(path: Path) -> None:
    assert not [name for name in imported(path) if name.split(".")[0] == "logger"]


def _name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)
