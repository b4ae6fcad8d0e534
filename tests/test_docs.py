"""The documents list every command, option, key, column, flag and exit code."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest
import typer

from extractor import errors
from extractor.cli import app
from extractor.results import summary_columns
from extractor.session import folder, overlay
from extractor.statistics import flags

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
GUIDE = (DOCS / "user-guide.md").read_text("utf-8")
FORMATS = (DOCS / "file-formats.md").read_text("utf-8")
COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]


def section(command: str) -> str:
    _, _, after = GUIDE.partition(f"\n## extractor {command}\n")
    return after.partition("\n## ")[0]


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_and_option_is_in_the_guide(command: str) -> None:
    text = section(command)
    assert text, f"docs/user-guide.md has no section '## extractor {command}'"
    common = {"--help", "--quiet", "--debug"}
    for parameter in COMMANDS[command].params:
        for option in parameter.opts:
            if option.startswith("--") and option not in common:
                assert f"`{option}" in text, f"{command}: {option} is not in its section"


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_option_has_a_help(command: str) -> None:
    assert COMMANDS[command].help
    for parameter in COMMANDS[command].params:
        assert getattr(parameter, "help", None), f"{command}: {parameter.name}"


def code_words(text: str) -> set[str]:
    """Return the words that stand in code: between backticks, or in an indented block."""
    code = re.findall(r"`[^`]+`|^ {4}.*", text, re.MULTILINE)
    return set(re.findall(r"(?<!\\)\b\w+\b", " ".join(code)))


def test_a_letter_of_the_text_is_no_column() -> None:
    text = "Then, in turn, `crosscheck_n`, `a\\n`: n, (n).\n\n    run,clip\n\n`mean`, `p05 p95`"
    assert code_words(text) == {"crosscheck_n", "a", "run", "clip", "mean", "p05", "p95"}


def test_every_key_column_flag_and_exit_code() -> None:
    wanted = {
        *(f.name for f in dataclasses.fields(overlay.Field)),
        *summary_columns(),
        *folder.RUN_COLUMNS,
        *folder.CORRECTION_COLUMNS,
        *folder.SESSION_KEYS,
        *(f.value for f in flags.Flag),
    }
    assert not sorted(wanted - code_words(FORMATS))
    for code in (errors.EXIT_OK, errors.EXIT_USAGE, errors.EXIT_CLIP, errors.EXIT_INTERRUPTED):
        assert f"| {code} |" in GUIDE
    for suffix in folder.VIDEO_SUFFIXES:
        assert f"*{suffix}" in FORMATS


def test_ci_runs_the_test_command_of_the_readme() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    between = readme.partition("<!-- tests -->")[2].partition("<!-- end -->")[0]
    (command,) = [line[4:] for line in between.splitlines() if line.startswith("    ")]
    assert "pytest" in command
    assert "readme tests" in (ROOT / ".ci" / "run").read_text("utf-8")


def test_top_level_is_what_was_agreed() -> None:
    agreed = {
        *("README.md", "DEVELOPERS.md", "pyproject.toml"),
        *("extractor", "tests", "sample_clips", "docs"),
    }
    import shutil
    import subprocess

    git = shutil.which("git")
    if git is None or not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    listed = subprocess.run([git, "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    tops = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {t for t in tops if not t.startswith(".")} <= agreed
