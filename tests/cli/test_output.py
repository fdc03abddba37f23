"""Tables on a terminal: figures whole and in columns, whatever its width."""

import io
import re

import pytest

from planner.cli.output import show_fields, show_table

COLUMNS = ("sku", "price_before", "cost_change", "note")
ROWS = [("AK 12-105 P+", "291.5000", "-2915.25", "a remark of several words"), ("=B", "", "7.00", "")]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def drawn(width: int, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    monkeypatch.setenv("COLUMNS", str(width))
    stream = Terminal()
    show_table(COLUMNS, ROWS, stream=stream)
    return re.sub(r"\x1b\[[0-9;]*m", "", stream.getvalue()).splitlines()


@pytest.mark.parametrize("width", [20, 40, 120])
def test_figures_are_whole_at_any_width(width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = drawn(width, monkeypatch)
    whole = "\n".join(lines)
    assert all(figure in whole for figure in ("291.5000", "-2915.25", "7.00"))
    assert "\u2026" not in whole  # nothing is cut
    assert all(word in whole.split() for word in ("remark", "several", "price", "change", "note"))
    ends = {one.end() for line in lines for one in re.finditer(r"-2915\.25|7\.00", line)}
    assert len(ends) == 1  # they stand under each other


def test_fields_are_columns_on_a_terminal_alone(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    show_fields({"a": 1, "longer": 2})
    assert capsys.readouterr().out == "a\t1\nlonger\t2\n"
    terminal = Terminal()
    monkeypatch.setattr("sys.stdout", terminal)
    show_fields({"a": 1, "longer": 2})
    assert terminal.getvalue() == "a       1\nlonger  2\n"
