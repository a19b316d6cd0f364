"""Commands imported only when asked for: the daemon must not pay for what reports need."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from typing import Any

import click


class LazyGroup(click.Group):
    """A group whose commands each live in a module of `logger.cli`, named by `modules`."""

    def __init__(self, *args: Any, modules: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._modules = modules

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self._modules)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        module = self._modules.get(cmd_name)
        if module is None:
            return None
        loaded: click.Command = importlib.import_module(f"logger.cli.{module}").command
        return loaded
