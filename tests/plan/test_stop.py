"""An interrupt or a time limit keeps the best plan found, and no such run is called optimal."""

import json
import subprocess
import sys
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from planner.cli.plan import remarks
from planner.errors import SolverError
from planner.fleet.stop import Ended, Stop
from planner.pipeline import plan_fleet, plan_folder, unless_asked
from planner.plan import Plan
from planner.scenario import Scenario, read_scenario
from planner.why_not import blocked
from tests.plan.fleets import Cut
from tests.plan.purchases import MODULE, THREE, write_fleet

SITES = ("finse", "ustaoset", "haukeli")


class After(Stop):
    """Asked at the n-th time that it is due to answer."""

    def __init__(self, times: int) -> None:
        super().__init__()
        self.times = times

    def due(self) -> bool:
        self.times -= 1
        if self.times < 0:
            self.ask()
        return super().due()


@pytest.fixture(scope="module")
def cut(tmp_path_factory: pytest.TempPathFactory) -> Cut:
    """A fleet whose first plan is not its best."""
    return Cut(tmp_path_factory.mktemp("stop") / "fleet", SITES).thin(2, 0).buses(12, 24)


@pytest.fixture(scope="module")
def whole(cut: Cut) -> Plan:
    """The plan of a run that nobody stops."""
    return cut.plan()


def stopped(cut: Cut, stop: Stop, **settings: Any) -> Plan:
    overrides = {"solver.gap": "0"} | {name.replace("__", "."): value for name, value in settings.items()}
    return plan_fleet(read_scenario(cut.folder, overrides=overrides), stop=stop)


@pytest.mark.parametrize("times", [0, 1, 20, 150, 400])
def test_an_interrupt_keeps_the_best_plan(cut: Cut, whole: Plan, times: int) -> None:
    plan = stopped(cut, After(times))
    manifest = plan.manifest
    assert manifest["sites_planned"] == len(SITES)
    assert plan.total_cost >= whole.total_cost
    assert Decimal(manifest["best_bound"]) <= whole.total_cost
    if manifest["outcome"] == "optimal":  # the proof was done before
        assert plan.total_cost == whole.total_cost
    else:
        assert manifest["outcome"] == "interrupted"
        assert manifest["mip_gap"] > 0
    if times <= 1:
        assert manifest["outcome"] == "interrupted"


def test_a_time_limit_keeps_the_best_plan(cut: Cut, whole: Plan) -> None:
    plan = stopped(cut, Stop(), solver__time_limit_s="1e-9")
    assert plan.manifest["outcome"] == "time_limit"
    assert plan.manifest["sites_planned"] == len(SITES)
    assert plan.total_cost >= whole.total_cost
    assert Decimal(plan.manifest["best_bound"]) <= whole.total_cost


def test_a_stopped_run_that_is_as_good_as_asked_says_so(cut: Cut) -> None:
    plan = stopped(cut, After(0), solver__gap="0.9")
    assert plan.manifest["outcome"] == "within_gap"


@pytest.mark.parametrize(("times", "most"), [(0, 3), (40, 3), (150, 1), (10**6, 1)])
def test_a_stop_leaves_a_plan_within_the_budget(cut: Cut, whole: Plan, times: int, most: int) -> None:
    """The budget is for one site of three; what was not yet proven when the stop came is said."""
    budget = round(0.7 * float(whole.total_cost), 2)
    plan = stopped(cut, After(times), purchase__budget=str(budget))
    assert plan.total_cost <= budget
    assert plan.manifest["outcome"] == ("optimal" if times == 10**6 else "interrupted")
    assert (plan.manifest["sites_planned"], plan.manifest["sites_served_most"]) == (1, most)
    said = [line for line in remarks(plan.manifest, ()) if "no more sites can be served" in line]
    assert said == (
        ["not proven that no more sites can be served: at most 3 within budget and stock"] if most > 1 else []
    )


def test_the_first_reason_stays() -> None:
    stop = Stop()
    assert (stop.due(), stop.why) == (False, None)
    stop.begin(0.0)
    assert stop.due()
    stop.ask()
    assert stop.due()
    assert stop.why is Ended.TIME_LIMIT


#: Stock that is no limit, though it could be one: beside a budget, a second family of rules to ask about.
PLENTY = [{"sku": MODULE, "supplier": "north", "pack_qty": "1", "stock_qty": "1000"}]
BUDGET = {"purchase.budget": "7000"}


def test_an_interrupt_while_it_asks_why_not_writes_the_plan(tmp_path: Path) -> None:
    stop, stages = Stop(), []

    def ask(stage: str, done: int, total: int) -> None:
        stages.append(stage)
        if stage == "why not":
            stop.ask()

    folder = write_fleet(tmp_path / "fleet", THREE, stock=PLENTY)
    plan, _ = plan_folder(folder, tmp_path / "plan", overrides=BUDGET, progress=ask, stop=stop)
    manifest = json.loads((tmp_path / "plan" / "manifest.json").read_text())
    assert manifest["outcome"] == "optimal"
    assert manifest["audit"]["passed"]
    assert [(reason["rule"], reason["sites"]) for reason in manifest["why_not"]] == [
        ("budget", []),
        ("stock", []),
    ]
    assert plan.tables["problems"]["severity"].count("rule") == 2
    assert stages[-2:] == ["why not", "audit"]


@pytest.mark.parametrize("stage", ["demand", "designs", "tables"])
def test_an_interrupt_within_a_question_leaves_it_open(tmp_path: Path, stage: str) -> None:
    scenario = read_scenario(write_fleet(tmp_path, THREE, stock=PLENTY), overrides=BUDGET)
    plan, stop = plan_fleet(scenario), Stop()

    def again(without: Scenario) -> Plan:
        def until(now: str, done: int, total: int) -> None:
            if now == stage:
                stop.ask()
            unless_asked(stop, now, done, total)

        return plan_fleet(without, progress=until, stop=stop)

    found = list(blocked(scenario, plan, again, stop))
    assert [(one.rule, one.sites) for one in found] == [("budget", ()), ("stock", ())]
    assert "open: it was interrupted first" in found[0].message


def test_a_question_without_a_plan_is_open_and_the_next_is_asked(tmp_path: Path) -> None:
    scenario = read_scenario(write_fleet(tmp_path, THREE, stock=PLENTY), overrides=BUDGET)
    asked = []

    def again(without: Scenario) -> Plan:
        asked.append(without.settings.purchase.budget)
        if len(asked) == 1:
            raise SolverError("the solver found no plan")
        return plan_fleet(without)

    found = list(blocked(scenario, plan_fleet(scenario), again, Stop()))
    assert asked == [None, 7000.0]
    assert [(one.rule, one.sites) for one in found] == [("budget", ())]  # stock leaves nobody out
    assert "the solver found no plan" in found[0].message


#: Runs the command line and sends itself a real interrupt when the n-th search begins, so many times.
INTERRUPTED = """
import os, signal, sys
from planner.fleet.stop import Stop
begin, left = Stop.begin, [{search}]
def interrupted(self, limit_s):
    if {early}:
        os.kill(os.getpid(), signal.SIGINT)
    begin(self, limit_s)
    left[0] -= 1
    for _ in range({times} if left[0] == 0 else 0):
        os.kill(os.getpid(), signal.SIGINT)
Stop.begin = interrupted
sys.argv = ["planner", "plan", *{arguments!r}]
from planner.cli import main
main()
"""


def run(
    folder: Path, out: Path, *more: str, times: int, early: bool = False, search: int = 1
) -> subprocess.CompletedProcess[str]:
    arguments = [str(folder), "--out", str(out), *more]
    code = INTERRUPTED.format(times=times, early=early, search=search, arguments=arguments)
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)


def test_a_signal_while_designs_are_chosen_writes_the_plan(cut: Cut, whole: Plan, tmp_path: Path) -> None:
    done = run(cut.folder, tmp_path / "plan", times=1)
    assert done.returncode == 130, done.stderr
    manifest = json.loads((tmp_path / "plan" / "manifest.json").read_text())
    assert manifest["outcome"] == "interrupted"
    assert Decimal(manifest["best_bound"]) <= whole.total_cost <= Decimal(manifest["total_cost"])
    assert "the interrupt came before the asked gap" in done.stderr
    assert "interrupted" in done.stdout


@pytest.mark.parametrize(("times", "early"), [(2, False), (0, True)])
def test_a_second_signal_or_an_early_one_gives_up(cut: Cut, tmp_path: Path, times: int, early: bool) -> None:
    done = run(cut.folder, tmp_path / "plan", times=times, early=early)
    assert done.returncode == 130
    assert "interrupted" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "plan").exists()
    assert list(tmp_path.iterdir()) == []


def test_a_signal_while_it_asks_why_not_writes_the_plan(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet", THREE, stock=PLENTY)
    done = run(folder, tmp_path / "plan", "--set", "purchase.budget=7000", times=1, search=2)
    assert done.returncode == 4, done.stderr
    manifest = json.loads((tmp_path / "plan" / "manifest.json").read_text())
    assert manifest["outcome"] == "optimal"
    assert manifest["why_not"][-1] == {"rule": "stock", "sites": [], "needs": None, "gave": None, "unit": ""}
    assert "rule stock: it is open whether it leaves sites out" in done.stderr
