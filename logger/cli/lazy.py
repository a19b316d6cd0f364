"""Imports commands on demand, so that the daemon does not load what only reports need."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from typing import Any

import click


class LazyGroup(click.Group):
    """Command group; `modules` maps each command to its module in `logger.cli.commands`."""

    def __init__(self, *args: Any, modules: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._modules = modules

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self._modules)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        module = self._modules.get(cmd_name)
        if module is None:
            return None
        loaded: click.Command = importlib.import_module(f"logger.cli.commands.{module}").command
        return loaded
