"""The data dictionary: columns of a row model with type, range, default and meaning."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from pydantic import BaseModel

from planner.tables.explained_rows import EXPLAIN_TABLES
from planner.tables.plan_rows import PLAN_TABLES
from planner.tables.registry import BY_NAME
from planner.tables.rerun_rows import COMPARE_TABLES

_TYPES = {
    "number": "number",
    "integer": "whole number",
    "string": "text",
    "boolean": "true or false",
    "array": "list",
}
_ITEMS_MAX = 12  # longer lists of choices are cut in the dictionary


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table, or one setting: what may stand there."""

    table: str
    column: str
    type: str
    required: bool
    default: str
    range: str
    meaning: str


@lru_cache(maxsize=64)
def columns_of(model: type[BaseModel], table: str = "") -> tuple[Column, ...]:
    """Columns of a row model, in order; nested models give dotted names."""
    schema = model.model_json_schema()
    return tuple(_columns(schema, schema.get("$defs", {}), table, ""))


def table_columns(name: str) -> tuple[Column, ...]:
    """Columns of a table of the registry, of a plan, or of a comparison."""
    own = {**PLAN_TABLES, **COMPARE_TABLES, **EXPLAIN_TABLES}
    return columns_of(BY_NAME[name].row if name in BY_NAME else own[name], name)


def _columns(schema: Mapping[str, Any], defs: Mapping[str, Any], table: str, prefix: str) -> Iterator[Column]:
    required = set(schema.get("required", ()))
    for name, field in schema["properties"].items():
        body = _body(field, defs)
        if "properties" in body:
            yield from _columns(body, defs, table, f"{prefix}{name}.")
            continue
        yield Column(
            table=table,
            column=prefix + name,
            type=_type(body),
            required=name in required and not _may_be_blank(field),
            default=_shown(field.get("default")),
            range=_range(body),
            meaning=field.get("description", ""),
        )


def _may_be_blank(field: Mapping[str, Any]) -> bool:
    return any(choice.get("type") == "null" for choice in field.get("anyOf", ()))


def _body(field: Mapping[str, Any], defs: Mapping[str, Any]) -> Mapping[str, Any]:
    """The part of a schema that holds type and range: references followed, `null` left out."""
    if "$ref" in field:
        return _body(defs[field["$ref"].rsplit("/", 1)[1]], defs)
    for choice in field.get("anyOf", ()):
        if choice.get("type") != "null":
            return _body(choice, defs)
    return field


def _type(body: Mapping[str, Any]) -> str:
    if body.get("format") == "date":
        return "date"
    if "enum" in body or "const" in body:
        return "choice"
    return _TYPES.get(body.get("type", ""), "text")


def _range(body: Mapping[str, Any]) -> str:
    """Range in words: `0 to 90`, `over 0 to 80`, `a | b`."""
    if body.get("type") == "array":
        return _range(body.get("items", {}))
    if "enum" in body:
        return " | ".join(str(item) for item in body["enum"][:_ITEMS_MAX])
    low = _bound(body, "minimum", "", "exclusiveMinimum", "over ")
    high = _bound(body, "maximum", "", "exclusiveMaximum", "under ")
    if low and high:
        return f"{low} to {high}"
    if low:
        return low if low.startswith("over") else f"{low} or more"
    if high:
        return high if high.startswith("under") else f"{high} or less"
    if body.get("type") == "string" and "maxLength" in body:
        return f"up to {body['maxLength']} characters"
    return ""


def _bound(body: Mapping[str, Any], closed: str, mark: str, opened: str, open_mark: str) -> str:
    if closed in body:
        return f"{mark}{body[closed]:g}"
    return f"{open_mark}{body[opened]:g}" if opened in body else ""


def _shown(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(_shown(item) for item in value) + "]"
    return f"{value:g}" if isinstance(value, float) else str(value)
