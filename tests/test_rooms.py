"""The floor plan: a room imports only from rooms above it, and hides no import of ours."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "extractor"
#: From top to bottom; rooms of one line know nothing of each other, but for `review`, which
#: asks `tabulation`.
ROOMS = (
    *("errors", "session", "video", "statistics", "results", "reading", "tabulation", "review"),
    *("comparison", "radio", "pipeline", "report", "page", "commands", "cli", "__main__"),
)
#: What is slow to load, by the names under which modules import it.
HEAVY = frozenset(
    {
        *("cv2", "av", "scipy", "matplotlib", "flask", "waitress", "numpy", "pandas", "jinja2"),
        *("tomlkit", "rich", "pytesseract", "distributed", "dask", "pebble", "filelock", "typer"),
    }
)


def modules() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted(PACKAGE.rglob("*.py")):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        yield name.removesuffix(".__init__"), ast.parse(path.read_text("utf-8"))


TREES = dict(modules())


def imported(node: ast.AST) -> list[str]:
    """Return our own modules that a statement imports, without the package's name."""
    if isinstance(node, ast.ImportFrom) and node.module == "extractor":
        return [a.name for a in node.names if a.name in TREES]
    if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("extractor."):
        base = (node.module or "").removeprefix("extractor.")
        return [f"{base}.{a.name}" if f"{base}.{a.name}" in TREES else base for a in node.names]
    if isinstance(node, ast.Import):
        names = [a.name for a in node.names if a.name.startswith("extractor.")]
        return [n.removeprefix("extractor.") for n in names]
    return []


def room_of(module: str) -> str:
    return module.split(".")[0]


def test_every_module_stands_in_a_room() -> None:
    assert {room_of(m) for m in TREES} == {*ROOMS, "__init__"}


@pytest.mark.parametrize("module", sorted(TREES))
def test_a_room_imports_only_from_rooms_above_it(module: str) -> None:
    if module == "__init__":
        return  # the public names, loaded when they are asked for
    own = ROOMS.index(room_of(module))
    below = [
        found
        for node in ast.walk(TREES[module])
        for found in imported(node)
        if ROOMS.index(room_of(found)) > own
    ]
    assert not below


def top_level(tree: ast.Module) -> Iterator[ast.stmt]:
    """Yield statements that run when the module is loaded; those for type checkers do not."""
    for node in tree.body:
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            continue
        yield node


def loads_heavy(module: str, seen: set[str]) -> bool:
    """Tell whether loading a module of ours loads something slow."""
    if module in seen:
        return False
    seen.add(module)
    for node in top_level(TREES[module]):
        names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        if any(room_of(name) in HEAVY for name in names):
            return True
        parents = [m.rpartition(".")[0] for m in imported(node)]
        for other in [*imported(node), *parents]:
            if other in TREES and loads_heavy(other, seen):
                return True
    return False


@pytest.mark.parametrize("module", sorted(TREES))
def test_no_import_of_ours_hides_without_need(module: str) -> None:
    """Inside a function stands only what would load a slow library at start-up.

    A command alone loads what it does when it does it: each start would pay for all of them.
    """
    if room_of(module) == "commands":
        return
    hidden = [
        (node.lineno, found)
        for function in ast.walk(TREES[module])
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
        for found in imported(node)
        if not loads_heavy(found, set())
    ]
    assert not hidden


@pytest.mark.parametrize("module", sorted(TREES))
def test_nothing_at_run_time_imports_the_training(module: str) -> None:
    """A wheel goes without it."""
    training = "reading.training"
    if not module.startswith(training):
        found = [f for node in ast.walk(TREES[module]) for f in imported(node)]
        assert not [f for f in found if f.startswith(training)]


def test_video_files_are_opened_in_one_place() -> None:
    """With its limits and its one error path; what is written goes through `encoding`."""
    calls = [
        module
        for module, tree in TREES.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and ast.unparse(node.func) in ("av.open", "cv2.VideoCapture")
    ]
    outside = [module for module in calls if not module.startswith("reading.training.")]
    assert sorted(outside) == ["video.decoding", "video.encoding"]
