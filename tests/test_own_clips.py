"""README's "With your own clips", word for word, on the sample clips without their tables."""

from __future__ import annotations

import csv
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from extractor.session.folder import VIDEO_SUFFIXES

pytestmark = pytest.mark.slow
ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_clips"
README = (ROOT / "README.md").read_text("utf-8")
SECTION = README.split("\n## With your own clips\n")[1].split("\n## ")[0]
#: What the README's table asks for.
FILLED = ("antenna", "port", "mounting", "order")


def commands() -> list[list[str]]:
    found = re.findall(r"^    extractor (.+)$", SECTION, re.MULTILINE)
    return [shlex.split(line, comments=True) for line in found]


def rows_of(path: Path) -> dict[str, dict[str, str]]:
    with path.open(encoding="utf-8") as stream:
        return {row["clip"]: row for row in csv.DictReader(stream)}


def run(folder: Path, words: list[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "extractor", *(w.replace("FOLDER", str(folder)) for w in words)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )


def write(folder: Path, rows: dict[str, dict[str, str]]) -> None:
    with (folder / "runs.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(next(iter(rows.values()))))
        writer.writeheader()
        writer.writerows(rows.values())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Do what stands before the comparison; nothing but clips is there at first."""
    made = tmp_path_factory.mktemp("own")
    for path in SAMPLES.iterdir():
        if path.suffix in VIDEO_SUFFIXES:
            shutil.copy(path, made)
    *before, last = commands()
    assert [words[0] for words in (*before, last)] == ["mark", "mark", "read", "compare"]
    for words in before:
        done = run(made, words)
        assert done.returncode == 0, done.stderr
    assert "runs.csv: drafted a row for 16 clips" in done.stderr
    return made


def test_the_columns_to_fill_are_shown() -> None:
    assert f"| {' | '.join(('clip', *FILLED))} |" in SECTION


def test_the_names_of_the_sample_clips_say_what_is_true(folder: Path) -> None:
    truth, drafted = rows_of(SAMPLES / "runs.csv"), rows_of(folder / "runs.csv")
    assert set(drafted) == set(truth)
    for column in ("antenna", "port", "mounting"):
        assert {c: r[column] for c, r in drafted.items()} == {
            c: r[column] for c, r in truth.items()
        }
    # These clips have no clock and no counter.
    assert {r["order"] for r in drafted.values()} == {""}


def test_a_draft_that_nobody_filled_gets_one_plain_line(folder: Path) -> None:
    drafted = rows_of(folder / "runs.csv")
    write(folder, {c: row | dict.fromkeys(FILLED, "") for c, row in drafted.items()})
    done = run(folder, commands()[-1])
    write(folder, drafted)
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert f"{folder}/runs.csv" in line
    assert "fill the columns antenna, port and mounting" in line


def test_filled_in_it_ends_in_the_ranking(folder: Path) -> None:
    truth, rows = rows_of(SAMPLES / "runs.csv"), rows_of(folder / "runs.csv")
    for clip, row in rows.items():
        row |= {column: truth[clip][column] for column in FILLED} | {"notes": ""}
    write(folder, rows)
    done = run(folder, commands()[-1])
    assert done.returncode == 0, done.stderr
    (best,) = re.findall(r"(\w+) is best: at least", SECTION)
    assert f"{best} is best: at least" in " ".join(done.stdout.split())
    assert "still say 'draft'" not in done.stdout
