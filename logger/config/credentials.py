"""Secrets: read from their configured source at each use, and removed from all output."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from logger.config.report import one_line
from logger.errors import ConfigError

SHORTEST = 4  # shorter secrets occur by chance in too many words


def from_file(key: str, path: Path, environ: Mapping[str, str]) -> str:
    """Return the secret in a file without surrounding blanks; errors name `key`.

    A file that the service manager has put into $CREDENTIALS_DIRECTORY takes precedence: under the
    same name, or, in its naming for files of a folder, `folder_name`. Raise ConfigError.
    """
    folder = Path(environ.get("CREDENTIALS_DIRECTORY", ""))
    if folder.is_absolute():
        for name in (path.name, f"{path.parent.name}_{path.name}"):
            if (folder / name).exists():
                path = folder / name
                break
    try:
        secret = path.read_text("utf-8").strip()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is not text"
        raise ConfigError(
            one_line(
                f"{key}: {path} cannot be read ({reason}); create it or correct its permissions"
            )
        ) from None
    if not secret:
        raise ConfigError(one_line(f"{key}: {path} is empty; write the {_last_word(key)} to it"))
    return secret


def secret(key: str, env: str | None, file: Path | None, environ: Mapping[str, str]) -> str | None:
    """Return the secret given by `<key>_env` or `<key>_file`, None if neither is set.

    Raise ConfigError.
    """
    if file is not None:
        return from_file(f"{key}_file", file, environ)
    if env is None:
        return None
    value = environ.get(env, "").strip()
    if not value:
        raise ConfigError(one_line(f"{key}_env: ${env} is not set; set it and restart"))
    return value


def without(text: str, secrets: Iterable[str]) -> str:
    """Return the text on one line with every secret masked, in plain form and in base64."""
    import base64

    for secret in secrets:
        if len(secret) >= SHORTEST:
            coded = base64.b64encode(secret.encode()).decode()
            for form in (secret, coded, coded.rstrip("=")):
                text = text.replace(form, "***")
    return one_line(text)


def _last_word(key: str) -> str:
    return key.rpartition(".")[2].removesuffix("_file")
