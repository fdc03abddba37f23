"""What a sweep varies: settings by name, and prices by category, each over a list of values."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from itertools import product

from planner.errors import InputError, Problem
from planner.scenario import Scenario
from planner.settings_file import setting_columns
from planner.tables.nearest import did_you_mean
from planner.tables.registry import SKU_TABLES

OPTION = "--vary"
PRICES, EVERY = "prices", "all"
PLANS_MAX = 500  # more combinations than this are a slip
FACTOR_MAX = Decimal(100)  # a price a hundred times as high is one
PRICE_STEP = Decimal("0.0001")  # prices have four decimals

#: Names of categories after `prices.`, in singular too.
CATEGORIES: Mapping[str, tuple[str, ...]] = {
    EVERY: SKU_TABLES,
    **{name: (name,) for name in SKU_TABLES},
    "module": ("modules",),
    "battery": ("batteries",),
    "controller": ("controllers",),
    "switch": ("switches",),
    "converter": ("converters",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """A figure that is varied, and its values as text, in the order given."""

    name: str
    values: tuple[str, ...]

    @property
    def categories(self) -> tuple[str, ...]:
        """Categories whose prices it multiplies; none for a setting."""
        head, _, category = self.name.partition(".")
        return CATEGORIES[category] if head == PRICES else ()


#: A value of each axis, in the order of the axes.
Combination = tuple[str, ...]


def read_axes(texts: Sequence[str]) -> list[Axis]:
    """Axes of `NAME=VALUE,VALUE` texts; commas inside brackets do not part values.

    Raises
    ------
    InputError
        With every text at fault.
    """
    axes = [_axis(text) for text in texts]
    problems = [problem for axis, text in zip(axes, texts, strict=True) for problem in _faults(axis, text)]
    names = [axis.name for axis in axes]
    twice = sorted({name for name in names if names.count(name) > 1})
    problems += [
        _problem("varied-twice", name, "is varied twice", "give all its values at once") for name in twice
    ]
    if not axes:
        problems.append(
            _problem("nothing-varied", "", "is not given", "add --vary policy.autonomy_days=3,5,7")
        )
    number = 1
    for axis in axes:
        number *= len(axis.values)
    if number > PLANS_MAX:
        remedy = f"vary fewer values, for at most {PLANS_MAX} plans"
        problems.append(_problem("too-many-plans", "", f"gives {number:,} plans", remedy))
    if problems:
        raise InputError(problems)
    return axes


def _axis(text: str) -> Axis:
    name, _, values = text.partition("=")
    return Axis(name=name.strip(), values=tuple(value for value in _parted(values) if value))


def _parted(text: str) -> Iterator[str]:
    """Texts between commas outside brackets."""
    depth, start = 0, 0
    for at, mark in enumerate(text):
        depth += (mark in "[{") - (mark in "]}")
        if mark == "," and depth == 0:
            yield text[start:at].strip()
            start = at + 1
    yield text[start:].strip()


def _faults(axis: Axis, text: str) -> Iterator[Problem]:
    head, _, category = axis.name.partition(".")
    if not axis.name or not axis.values:
        yield _problem("bad-vary", text, "is not NAME=VALUE,VALUE", "write policy.autonomy_days=3,5,7")
    elif len(set(axis.values)) < len(axis.values):
        yield _problem("value-twice", text, "has a value twice", "give each value once")
    elif head == PRICES and category not in CATEGORIES:
        near = did_you_mean(category, CATEGORIES, f"write one of {', '.join(CATEGORIES)}")
        yield _problem("unknown-category", axis.name, "is no category of prices", near)
    elif head == PRICES:
        for value in axis.values:
            if _factor(value) is None:
                remedy = f"write a number over 0, up to {FACTOR_MAX}: 0.8 is a fifth off"
                yield _problem("bad-factor", f"{axis.name}={value}", "is no factor on prices", remedy)
    elif axis.name not in {column.column for column in setting_columns()}:
        names = {column.column for column in setting_columns()} | {f"{PRICES}.{one}" for one in CATEGORIES}
        near = did_you_mean(axis.name, names, "`planner columns settings` lists the settings")
        yield _problem("unknown-setting", axis.name, "is no setting, nor prices of a category", near)


def _factor(text: str) -> Decimal | None:
    try:
        factor = Decimal(text)
    except InvalidOperation:
        return None
    return factor if factor.is_finite() and 0 < factor <= FACTOR_MAX else None


def _problem(code: str, value: str, message: str, remedy: str) -> Problem:
    return Problem(code=code, file=OPTION, value=value, message=message, remedy=remedy)


def combinations(axes: Sequence[Axis]) -> list[Combination]:
    """Every combination, the last axis changing first."""
    return list(product(*(axis.values for axis in axes)))


def overrides_of(axes: Sequence[Axis], combination: Combination) -> dict[str, str]:
    """Settings of a combination, as of `--set`."""
    return {axis.name: value for axis, value in zip(axes, combination, strict=True) if not axis.categories}


def repriced(scenario: Scenario, axes: Sequence[Axis], combination: Combination) -> Scenario:
    """A scenario with the prices of a combination; factors on one SKU multiply."""
    factor: dict[str, Decimal] = {}
    for axis, value in zip(axes, combination, strict=True):
        for category in axis.categories:
            for row in getattr(scenario.tables, category):
                factor[row.sku] = factor.get(row.sku, Decimal(1)) * Decimal(value)
    return at_factors(scenario, factor) if factor else scenario


def at_factors(scenario: Scenario, factor: Mapping[str, Decimal]) -> Scenario:
    """A scenario with every price of some SKUs multiplied, tier by tier."""
    prices = [
        row.model_copy(
            update={"unit_price": (row.unit_price * factor.get(row.sku, Decimal(1))).quantize(PRICE_STEP)}
        )
        for row in scenario.tables.prices
    ]
    return replace(scenario, tables=replace(scenario.tables, prices=prices))
