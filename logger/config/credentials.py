"""Secrets: read where the configuration says, anew each time, and kept out of what is told."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping
from pathlib import Path

from logger.config.report import one_line
from logger.errors import ConfigError

SHORTEST = 4  # a shorter "secret" stands in too many words by chance


def from_file(key: str, path: Path, environ: Mapping[str, str]) -> str:
    """The secret in a file, without the blanks around it; `key` is named in errors.

    A file that the service manager has put into $CREDENTIALS_DIRECTORY goes first: under the same
    name, or as it names files of a folder, `folder_name`. Raises ConfigError.
    """
    handed = Path(environ.get("CREDENTIALS_DIRECTORY", ""))
    if handed.is_absolute():
        for name in (path.name, f"{path.parent.name}_{path.name}"):
            if (handed / name).exists():
                path = handed / name
                break
    try:
        secret = path.read_text("utf-8").strip()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is not text"
        raise ConfigError(
            one_line(f"{key}: {path} cannot be read ({reason}); put it there")
        ) from None
    if not secret:
        raise ConfigError(one_line(f"{key}: {path} is empty; put the {_last_word(key)} in"))
    return secret


def secret(key: str, env: str | None, file: Path | None, environ: Mapping[str, str]) -> str | None:
    """The secret named by `<key>_env` or `<key>_file`, None if neither is. Raises ConfigError."""
    if file is not None:
        return from_file(f"{key}_file", file, environ)
    if env is None:
        return None
    found = environ.get(env, "").strip()
    if not found:
        raise ConfigError(one_line(f"{key}_env: ${env} is not set; set it and restart"))
    return found


def without(text: str, secrets: Iterable[str]) -> str:
    """The text on one line with every secret in it blotted out, as it is or in base64."""
    for found in secrets:
        if len(found) >= SHORTEST:
            coded = base64.b64encode(found.encode()).decode()
            for form in (found, coded, coded.rstrip("=")):
                text = text.replace(form, "***")
    return one_line(text)


def _last_word(key: str) -> str:
    return key.rpartition(".")[2].removesuffix("_file")
