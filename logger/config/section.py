"""Base class of the sections of the configuration."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import Meta

Text = Annotated[str, Meta(min_length=1)]
Positive = Annotated[float, Meta(gt=0)]
Swr = Annotated[float, Meta(ge=1)]
EnvName = Annotated[str, Meta(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")]


class Section(msgspec.Struct, forbid_unknown_fields=True, kw_only=True, frozen=True):
    """A mapping in the file; unknown keys are errors."""
