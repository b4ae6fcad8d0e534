"""What is imported is declared: a library that another happens to bring may go with it."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
#: Counts as another: brings the same modules, or is what that one promises to bring.
SAME = {"opencv-python-headless": "opencv-python", "rich": "typer", "werkzeug": "flask"}
TRAINING = ROOT / "extractor" / "reading" / "training"


def declared(*extras: str) -> set[str]:
    listed = [*PROJECT["dependencies"]]
    for extra in extras:
        listed += PROJECT["optional-dependencies"][extra]
    return {re.split(r"[\[<>=,;\s]", one)[0] for one in listed}


def imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            found.add((node.module or "").split(".")[0])
    return found - sys.stdlib_module_names


def names(distributions: list[str]) -> set[str]:
    return {SAME.get(one.lower(), one.lower()) for one in distributions}


@pytest.mark.parametrize(
    ("folder", "extras"),
    [
        ("extractor", ("cluster",)),
        ("extractor/reading/training", ("train",)),
        ("sample_clips", ()),
        ("tests", ("test", "train")),
    ],
)
def test_what_is_imported_is_declared(folder: str, extras: tuple[str, ...]) -> None:
    known = packages_distributions()
    allowed = declared(*extras)
    training = TRAINING in (ROOT / folder, *(ROOT / folder).parents)
    files = [
        path for path in (ROOT / folder).rglob("*.py") if training or TRAINING not in path.parents
    ]
    assert files
    missing = {
        f"{path.relative_to(ROOT)}: {name}"
        for path in files
        for name in imported(path) & known.keys()
        if name != "extractor"
        and not {SAME.get(d.lower(), d.lower()) for d in known[name]} & allowed
    }
    assert not missing
