"""Checks across rows and tables; each yields problems and looks at sound rows only."""

import datetime
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Annotated, Any

from pydantic import ConfigDict, TypeAdapter, ValidationError

from planner.errors import Problem, Severity
from planner.settings import Settings
from planner.tables.explain import shown
from planner.tables.months import LONG_TABLE, WIDE_TABLE, StatedMonth, stated_months
from planner.tables.nearest import did_you_mean
from planner.tables.read import ReadTable
from planner.tables.registry import SKU_TABLES
from planner.tables.rows import Row

BUILT_IN_SCHEDULES = frozenset({"always", "day", "night"})
HINTS_MAX = 50  # nearest names looked up in one column: a hint costs more than the check


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The settings, and where each stands: file and line by name."""

    settings: Settings
    places: Mapping[str, tuple[str, int | None]]


@dataclass(frozen=True, kw_only=True)
class Context:
    """All tables, and what of the settings the checks need; None where the settings are at fault."""

    tables: Mapping[str, ReadTable]
    plan_date: datetime.date | None = None
    currency: str | None = None
    asked: "Asked | None" = None

    def rows(self, name: str) -> Sequence[Any]:
        """Sound rows of a table."""
        return self.tables[name].rows

    @cached_property
    def skus(self) -> dict[str, tuple[str, int]]:
        """Every SKU of the catalogue's records, faulty rows too: its first table and line."""
        found: dict[str, tuple[str, int]] = {}
        for name in SKU_TABLES:
            table = self.tables[name]
            for record, line in zip(table.records, table.record_lines, strict=True):
                if "sku" in record:
                    found.setdefault(str(record["sku"]), (table.file, line))
        return found

    @cached_property
    def stated_months(self) -> tuple[StatedMonth, ...]:
        """What the sites state of their months, from both tables."""
        return tuple(stated_months(self.rows(LONG_TABLE), self.rows(WIDE_TABLE)))

    @property
    def skus_known(self) -> bool:
        """Whether every SKU table could be read, so that an unknown SKU is truly unknown."""
        return all(self.tables[name].known for name in SKU_TABLES)


Check = Callable[[Context], Iterator[Problem]]


def check_tables(
    tables: Mapping[str, ReadTable],
    *,
    plan_date: datetime.date | None,
    currency: str | None,
    asked: Asked | None = None,
) -> list[Problem]:
    """Every problem between rows and between tables, errors and warnings."""
    from planner.tables.asked_checks import ASKED_CHECKS
    from planner.tables.buying_checks import BUYING_CHECKS
    from planner.tables.climate_checks import CLIMATE_CHECKS
    from planner.tables.existing_checks import EXISTING_CHECKS
    from planner.tables.month_checks import MONTH_CHECKS
    from planner.tables.part_checks import PART_CHECKS
    from planner.tables.site_checks import SITE_CHECKS
    from planner.tables.supply_checks import SUPPLY_CHECKS
    from planner.tables.trade_checks import TRADE_CHECKS

    context = Context(tables=tables, plan_date=plan_date, currency=currency, asked=asked)
    checks: tuple[Check, ...] = (
        duplicate_keys,
        duplicate_skus,
        references,
        *SITE_CHECKS,
        *ASKED_CHECKS,
        *MONTH_CHECKS,
        *CLIMATE_CHECKS,
        *PART_CHECKS,
        *SUPPLY_CHECKS,
        *EXISTING_CHECKS,
        *TRADE_CHECKS,
        *BUYING_CHECKS,
    )
    return [problem for check in checks for problem in check(context)]


def duplicate_keys(context: Context) -> Iterator[Problem]:
    """A key stands once in its table, in rows with other faults too; both lines are named."""
    for table in context.tables.values():
        key = table.spec.key
        if not key:
            continue
        first: dict[tuple[Any, ...], int] = {}
        for line, value in row_keys(table):
            before = first.setdefault(value, line)
            if before != line:
                yield Problem(
                    code="duplicate-key",
                    file=table.file,
                    line=line,
                    column=key[0] if len(key) == 1 else ", ".join(key),
                    value=shown(" / ".join("" if part is None else str(part) for part in value)),
                    message=f"stands on line {before} already",
                    rule="unique",
                    remedy="delete one of the two rows, or give one another key",
                )


def row_keys(table: ReadTable) -> Iterator[tuple[int, tuple[Any, ...]]]:
    """Line and key of every row whose key is sound, whatever its other cells are, in file order."""
    key, model = table.spec.key, table.spec.row
    rows = zip(table.lines, table.rows, strict=True)
    sound = {line: tuple(getattr(row, name) for name in key) for line, row in rows}
    for at, (record, line) in enumerate(zip(table.records, table.record_lines, strict=True)):
        if line in sound:
            yield line, sound[line]
        elif at not in table.ragged:
            try:
                yield line, tuple(cell_value(model, name, record) for name in key)
            except ValidationError:
                continue  # the key itself is at fault, and named as such


def cell_value(model: type[Row], name: str, record: Mapping[str, Any]) -> Any:
    """The value that a row model makes of one of its cells, or its default for a blank.

    Raises
    ------
    ValidationError
        The cell does not fit, or must not be blank.
    """
    info = model.model_fields[name]
    if name not in record and not info.is_required():
        return info.default
    return _cell_adapter(model, name).validate_python(record.get(name))


@lru_cache(maxsize=64)
def _cell_adapter(model: type[Row], name: str) -> TypeAdapter[Any]:
    info = model.model_fields[name]
    annotated: Any = Annotated[info.annotation, info]
    return TypeAdapter(annotated, config=ConfigDict(str_strip_whitespace=True))


def duplicate_skus(context: Context) -> Iterator[Problem]:
    """A SKU stands in one table of the catalogue only."""
    for name in SKU_TABLES:
        table = context.tables[name]
        for line, (sku,) in row_keys(table):
            file, other = context.skus[sku]
            if file != table.file:
                yield Problem(
                    code="duplicate-sku",
                    file=table.file,
                    line=line,
                    column="sku",
                    value=shown(sku),
                    message=f"stands in {file}, line {other}, too",
                    remedy="give one of the two parts another SKU",
                    rule="unique over the catalogue",
                )


def references(context: Context) -> Iterator[Problem]:
    """A row that points at another table points at a row that is there."""
    for table in context.tables.values():
        for column, (other, other_column) in table.spec.references.items():
            target = context.tables[other]
            if not target.known:
                continue
            options = target.values(other_column)
            if other == "schedules":
                options = options | BUILT_IN_SCHEDULES
            yield from dangling(table, column, options, target.file)
    if context.skus_known:
        for name in ("prices", "stock", "existing", "sku_rules"):
            yield from dangling(
                context.tables[name], "sku", set(context.skus), "the catalogue's tables of parts"
            )


def dangling(
    table: ReadTable, column: str, options: set[str], where: str, severity: Severity = Severity.ERROR
) -> Iterator[Problem]:
    """Problems for records whose `column` names nothing in `options`; a blank names its default."""
    hints: dict[str, str] = {}
    otherwise = f"add it to {where}, or write a name that stands there"
    for at, (record, line) in enumerate(zip(table.records, table.record_lines, strict=True)):
        name = str(record.get(column, ""))
        if not name or name in options or at in table.ragged:
            continue
        if name not in hints:
            hints[name] = did_you_mean(name, options, otherwise) if len(hints) < HINTS_MAX else otherwise
        yield Problem(
            code="unknown-reference",
            file=table.file,
            line=line,
            column=column,
            value=shown(name),
            message=f"does not stand in {where}",
            remedy=hints[name],
            severity=severity,
            rule=f"a row of {where}",
        )
