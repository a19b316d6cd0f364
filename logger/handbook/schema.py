"""JSON Schema of the configuration, for editors that complete and check YAML.

Input: the same option structs and descriptions as the reference. Output: a schema of the draft
2020-12. What only the program can check, such as the columns of a bridge, is not in it.
"""

from __future__ import annotations

import types
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

import msgspec
from msgspec import NODEFAULT
from msgspec.structs import FieldInfo, fields

from drivers.found import find, installed_kinds
from logger.config.load import Sections
from logger.config.notifiers import KINDS
from logger.handbook.reference import parts, struct_of, unit_of

Schema = dict[str, Any]
DRAFT = "https://json-schema.org/draft/2020-12/schema"


def schema() -> Schema:
    """Return the schema of a configuration file; the drivers are the installed ones."""
    definitions: Schema = {}  # of enumerations
    whole = _object(Sections, definitions)
    section = whole["properties"]["calibration"]  # or the name of the file alone
    whole["properties"]["calibration"] = {"anyOf": [section["properties"]["file"], section]}
    drivers = {kind: find(kind).Options for kind in installed_kinds()}
    whole["properties"]["driver"] |= {"oneOf": _kinds(drivers, definitions)}
    whole["properties"]["notify"] |= {"items": {"oneOf": _kinds(KINDS, definitions)}}
    return {"$schema": DRAFT, "title": "Configuration of mismatchd", **whole, "$defs": definitions}


def _kinds(options: dict[str, Any], definitions: Schema) -> list[Schema]:
    return [_object(struct, definitions, kind) for kind, struct in options.items()]


def _object(struct: type[msgspec.Struct], definitions: Schema, kind: str | None = None) -> Schema:
    """Return the schema of a mapping; with `kind`, one that has this kind."""
    hints = get_type_hints(struct, include_extras=True)
    keys = {f.encode_name: _key(f, hints[f.name], definitions) for f in fields(struct)}
    required = [field.encode_name for field in fields(struct) if field.required]
    if kind is not None:
        keys = {"kind": {"const": kind}, **keys}
        required = ["kind", *required]
    return {
        "type": "object",
        "description": (struct.__doc__ or "").partition("\n")[0],
        "properties": keys,
        "required": required,
        "additionalProperties": False,
    }


def _key(field: FieldInfo, hint: Any, definitions: Schema) -> Schema:
    """Return the schema of a value, with its description, unit and default."""
    if struct_of(hint) is not None:
        options = [_structured(part, definitions) for part in parts(hint)]
        if types.NoneType in get_args(hint):
            options.append({"type": "null"})
        return options[0] if len(options) == 1 else {"anyOf": options}
    (value,), enumerations = msgspec.json.schema_components(
        [hint], schema_hook=_path, ref_template="#/$defs/{name}"
    )
    definitions.update(enumerations)
    unit = "" if str in parts(hint) else unit_of(field.encode_name)
    if unit and "description" in value:
        value["description"] += f" Unit: {unit}."
    if not field.required:
        default = field.default_factory() if field.default is NODEFAULT else field.default
        if default is not None:
            value["default"] = msgspec.to_builtins(default, enc_hook=str)
    return value


def _structured(part: Any, definitions: Schema) -> Schema:
    """Return the schema of a mapping, or of a list of mappings."""
    if get_origin(part) in (list, tuple):
        return {"type": "array", "items": _object(get_args(part)[0], definitions)}
    return _object(part, definitions)


def _path(form: type) -> Schema:
    if form is not Path:
        raise NotImplementedError(f"options of type {form} are not supported")
    return {"type": "string", "minLength": 1}
