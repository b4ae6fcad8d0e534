"""The documents list every command, option, key, column, flag and exit code."""

from __future__ import annotations

import ast
import dataclasses
import re
from pathlib import Path

import pytest
import typer

from extractor import __version__, errors
from extractor.cli import app
from extractor.results import summary_columns
from extractor.session import folder, overlay, user_tables
from extractor.statistics import flags

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
GUIDE = (DOCS / "user-guide.md").read_text("utf-8")
FORMATS = (DOCS / "file-formats.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
DOCUMENTS = sorted([*ROOT.glob("*.md"), *DOCS.rglob("*.md"), *ROOT.glob("sample_clips/*.md")])
LONGEST_MODULE = 400
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
        *user_tables.RUN_COLUMNS,
        *user_tables.CORRECTION_COLUMNS,
        *folder.SESSION_KEYS,
        *(f.value for f in flags.Flag),
    }
    assert not sorted(wanted - code_words(FORMATS))
    for code in (errors.EXIT_OK, errors.EXIT_USAGE, errors.EXIT_CLIP, errors.EXIT_INTERRUPTED):
        assert f"| {code} |" in GUIDE
    for suffix in folder.VIDEO_SUFFIXES:
        assert f"*{suffix}" in FORMATS


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda d: d.relative_to(ROOT).as_posix())
def test_every_path_and_link_in_a_document_exists(document: Path) -> None:
    text = document.read_text("utf-8")
    # What an older commit held (`git show COMMIT:PATH`) need not be here.
    named = re.findall(r"(?<![\w:/.])(?:extractor|tests|docs|\.ci|\.github)/[\w./*-]*[\w/]", text)
    assert not [path for path in named if not list(ROOT.glob(path))]
    links = re.findall(r"\]\(([^)#\s]+)", text)
    assert not [to for to in links if "://" not in to and not (document.parent / to).exists()]
    beside = re.findall(r"`([a-z-]+\.md)`", text)
    assert not [name for name in beside if not (DOCS / name).exists()]


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda d: d.relative_to(ROOT).as_posix())
def test_a_command_of_ours_in_a_document_is_there(document: Path) -> None:
    for module in re.findall(r"python -m (extractor[\w.]*)", document.read_text("utf-8")):
        assert (ROOT / Path(*module.split(".")) / "__main__.py").exists(), module


def test_developers_names_functions_that_are_where_it_says() -> None:
    """A path may be followed by what to look for in it."""
    found = re.findall(r"`(extractor/[\w/]+\.py)`((?:[:,]? `[A-Za-z_]+`)*)", DEVELOPERS)
    pairs = [(path, name) for path, names in found for name in re.findall(r"`(\w+)`", names)]
    assert len(pairs) > 20
    for path, name in pairs:
        nodes = list(ast.walk(ast.parse((ROOT / path).read_text("utf-8"))))
        defined = {getattr(n, "name", None) for n in nodes}
        defined |= {n.id for n in nodes if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
        assert name in defined, f"{path} has no {name}"


def test_developers_names_every_room_and_every_long_module() -> None:
    package = ROOT / "extractor"
    for room in package.iterdir():
        if room.is_dir() and list(room.glob("*.py")):
            assert f"`extractor/{room.name}/`" in DEVELOPERS
        elif room.suffix == ".py" and not room.name.startswith("__"):
            assert f"`extractor/{room.name}`" in DEVELOPERS
    rules = DEVELOPERS.partition("## House rules")[2]
    for module in package.rglob("*.py"):
        if len(module.read_text("utf-8").splitlines()) > LONGEST_MODULE:
            assert f"`{module.relative_to(ROOT).as_posix()}`" in rules


def test_the_reader_page_names_the_packages_of_all_fonts() -> None:
    fonts = pytest.importorskip("extractor.reading.training.fonts", reason="a wheel has none")
    rows = re.findall(r"^\| [^|]+ \| ([^|`]+) \|$", (DOCS / "reader.md").read_text("utf-8"), re.M)
    names = [name.strip() for row in rows for name in row.split(",")]
    named = {prefix + name for prefix in ("fonts-", "@fontsource/") for name in names}
    assert {family.package for family in fonts.CATALOGUE} <= named


def test_the_changelog_tells_of_this_version() -> None:
    found = re.findall(r"^## (\S+) - \d{4}-\d\d-\d\d$", (DOCS / "CHANGELOG.md").read_text(), re.M)
    assert found[0] == __version__
    assert f"Version {__version__}." in (ROOT / "README.md").read_text("utf-8")


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda d: d.relative_to(ROOT).as_posix())
def test_no_document_names_a_machine_or_what_nobody_else_can_run(document: Path) -> None:
    pattern = r"\b[AHV]\d00\b|script outside|\bissue \d"
    assert not re.findall(pattern, document.read_text("utf-8"))


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
