"""The house: rooms import only from rooms before them, and help loads nothing heavy."""

import ast
from pathlib import Path

import planner

ORDER = (
    "errors",
    "units",
    "money",
    "settings",
    "tables",
    "layers",
    "settings_file",
    "scenario",
    "kept",
    "starter",
    "climate",
    "check",
    "sites",
    "site_climates",
    "climate_view",
    "demand",
    "reliability",
    "designs",
    "executors",
    "fleet",
    "existing",
    "sizing",
    "grounds",
    "purchase",
    "phases",
    "referee",
    "procurement",
    "reuse",
    "plan",
    "audits",
    "charts",
    "outputs",
    "availability",
    "earlier",
    "freeing",
    "why_not",
    "pipeline",
    "runs",
    "compare",
    "rerun",
    "savings",
    "sweep",
    "explain",
    "cli",
)
ROOT = Path(planner.__file__).parent


def room(module: str) -> str:
    """The room of a dotted module under planner, "" for the package itself."""
    return module.split(".")[1] if "." in module else ""


def imports(path: Path) -> set[str]:
    """Rooms of the planner that a file imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "planner":
            names = [node.module] if "." in node.module else [f"planner.{alias.name}" for alias in node.names]
            found |= {room(name) for name in names}
        elif isinstance(node, ast.Import):
            found |= {room(alias.name) for alias in node.names if alias.name.split(".")[0] == "planner"}
    return found - {"", "__version__"}


def test_every_room_stands_in_the_order() -> None:
    rooms = {
        path.stem if path.is_file() else path.name for path in ROOT.iterdir() if path.suffix in ("", ".py")
    }
    assert rooms - {"__init__", "__main__", "__pycache__", "_shipped"} == set(ORDER) | ({"py"} & rooms)


def test_rooms_import_only_what_stands_before_them() -> None:
    wrong = []
    for path in ROOT.rglob("*.py"):
        parts = path.relative_to(ROOT).parts
        own = Path(parts[0]).stem
        if own in ("__init__", "__main__"):
            continue
        wrong += [
            f"{path.name} imports {name}" for name in imports(path) if ORDER.index(name) > ORDER.index(own)
        ]
    assert not wrong
