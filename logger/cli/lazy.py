"""Imports commands on demand, so that the daemon does not load what only reports need."""

from __future__ import annotations

import gc
import importlib
from collections.abc import Mapping
from typing import Any

import click
from click.shell_completion import CompletionItem

from logger.extras import explain_missing

LONGEST = 1000  # characters of a sentence


class ListingGroup(click.Group):
    """Command group whose help lists the whole first sentence of each command."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        rows = [
            (name, command.get_short_help_str(LONGEST))
            for name in self.list_commands(ctx)
            if (command := self.get_command(ctx, name)) is not None
        ]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


class LazyGroup(ListingGroup):
    """Command group; `modules` maps each command to its module in `logger.cli.commands`.

    `summaries`, the first sentences of the commands' help, list them without importing any.
    """

    def __init__(
        self,
        *args: Any,
        modules: Mapping[str, str],
        summaries: Mapping[str, str] | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self._modules = modules
        self._summaries = summaries

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except ModuleNotFoundError as error:
            user = " ".join(filter(None, (ctx.command_path, ctx.invoked_subcommand)))
            raise explain_missing(error, f"`{user}`") from error

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self._modules)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        module = self._modules.get(cmd_name)
        if module is None:
            return None
        gc.disable()  # imports leave no garbage, and are a tenth faster without the search for it
        try:
            loaded: click.Command = importlib.import_module(f"logger.cli.commands.{module}").command
        finally:
            gc.enable()
        return loaded

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        if self._summaries is None:
            super().format_commands(ctx, formatter)
            return
        with formatter.section("Commands"):
            formatter.write_dl(list(self._summaries.items()))

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        if self._summaries is None:
            return super().shell_complete(ctx, incomplete)
        commands = [
            CompletionItem(name, help=summary)
            for name, summary in self._summaries.items()
            if name.startswith(incomplete)
        ]
        return commands + click.Command.shell_complete(self, ctx, incomplete)
