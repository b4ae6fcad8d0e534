"""The public API: its names and signatures, what it loads, its examples and the notebook."""

from __future__ import annotations

import ast
import contextlib
import dataclasses
import doctest
import importlib
import inspect
import io
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from clipmaker import BOX, SIZE, GreyReader, make_clip, overlay_toml, stairs, steady

import extractor
from extractor import errors
from extractor.session import overlay

ROOT = Path(__file__).parents[1]
NOTEBOOK = (ROOT / "docs" / "notebook.md").read_text("utf-8")
#: A change here is a change for everybody who has written a notebook: name it in the changelog.
SIGNATURES = """
Session(root: str | Path) -> None
Run(run: str, clips: tuple[str, ...], start_s: float | None = None, end_s: float | None = None,
    columns: Mapping[str, str] = <factory>) -> None
Field(name: str, frame: tuple[int, int], box: Box, unit: str = , decimals: int | None = None,
    better: Direction | None = None, minimum: float | None = None, maximum: float | None = None,
    ceiling: float | None = None, low: float | None = None, also: tuple[Place, ...] = ()) ->
    None
Box(x: int, y: int, width: int, height: int) -> None
Overlay(fields: tuple[Field, ...]) -> None
ReadOptions(rate_hz: float = 10.0, reader: str = network, jobs: int = 0, again: bool = False,
    quick: bool = False, exact: bool = False, crosscheck: int = 20, scheduler: str = ) -> None
read_session(session: Session, options: ReadOptions | None = None, *, only: Sequence[str] = (),
    watcher: Watcher | None = None) -> SessionReport
summarise_session(session: Session) -> SessionReport
read_clip(path: str | Path, overlay: Overlay, options: ReadOptions | None = None, *, progress:
    Callable[[float], None] | None = None) -> dict[str, pd.DataFrame]
create_reader(name: str) -> Reader
series_from_table(table: pd.DataFrame, time_column: str, value_column: str) -> pd.DataFrame
clean(series: pd.DataFrame, field: Field, *, frame_s: float | None = None) -> Cleaned
summarise(series: pd.DataFrame, field: Field, *, start_s: float | None = None, end_s: float |
    None = None, period_s: float | None = None, steady: bool = False, confidence: float = 0.95)
    -> Summary
load_results(folder: str | Path) -> Results
compare_sessions(paths: Sequence[str | Path], *, field: str | None = None, measure: str | None =
    None, factor: str = antenna, reference: str | None = None, confidence: float = 0.95, pool: bool
    = False, equal_within: float | None = None, spread_from: Sequence[str | Path] = ()) ->
    Comparison
compare_table(table: RunTable, *, reference: str | None = None, confidence: float = 0.95, pool:
    bool = False, equal_within: float | None = None, carried: Carried | None = None, also:
    Sequence[Finding] = ()) -> Comparison
plan_runs(antennas: Sequence[str], ports: Sequence[str], *, mountings: int = 3, repeats: int =
    1, reference: str | None = None, seed: int = 0, kind: OrderKind = split, looks: Sequence[int] =
    ()) -> tuple[PlannedRun, ...]
mountings_needed(detect: float, spreads: Spreads, clips: int, *, power: float = 0.8, antennas:
    int = 2, confidence: float = 0.95) -> int | None
calibrate(summary: pd.DataFrame, *, measure: str = mean, interpolation: Interpolation = pchip)
    -> Calibration
expected_differences(antennas: Sequence[Antenna], reference: Antenna, frequency_hz: float, *,
    transmitter: Transmitter | None = None) -> list[ExpectedDifference]
write_report(sessions: Sequence[str | Path], out: str | Path | None = None, options: Options |
    None = None, progress: Progress | None = None) -> tuple[Path, ...]
write_card(sessions: str | Path | Sequence[str | Path], out: str | Path | None = None, *, size:
    Format | None = None, title: str | None = None, field: str | None = None, dark: bool = False,
    background: str = plain) -> Path
describe(sessions: Sequence[str | Path], *, field: str | None = None) -> str
"""
FUNCTIONS = [name for name in extractor.__all__ if inspect.isfunction(getattr(extractor, name))]


def test_names_and_signatures() -> None:
    found = [
        name + str(inspect.signature(getattr(extractor, name))).replace("'", "")
        for name in extractor.__all__
        if not name.endswith("Error")
    ]
    pinned = re.split(r"\n(?=\S)", SIGNATURES.strip())
    assert found == [" ".join(one.split()) for one in pinned]


def test_every_error_is_public() -> None:
    tree = {name for name in vars(errors) if name.endswith("Error")}
    assert {name for name in extractor.__all__ if name.endswith("Error")} == tree
    assert all(getattr(extractor, name) is getattr(errors, name) for name in tree)


def test_type_checkers_are_told_what_is_loaded() -> None:
    """What stands under TYPE_CHECKING are the same names from the same places."""
    told = {}
    for node in ast.walk(ast.parse(Path(extractor.__file__).read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("extractor."):
            for one in node.names:
                module = importlib.import_module(node.module or "")
                told[one.asname] = getattr(module, one.name)
    assert told == {name: getattr(extractor, name) for name in extractor.__all__}
    assert (Path(extractor.__file__).parent / "py.typed").exists()


def test_importing_loads_nothing_slow() -> None:
    code = (
        "import sys, extractor\n"
        "assert 'Session' in dir(extractor) and 'Session' not in vars(extractor)\n"
        "own = [m for m in sys.modules if m.startswith('extractor.')]\n"
        "slow = {'cv2', 'numpy', 'pandas', 'av', 'scipy', 'matplotlib'} & set(sys.modules)\n"
        "assert not own and not slow, (own, slow)\n"
        "from extractor import Session, read_session, clean, ExtractorError\n"
        "assert 'cv2' not in vars(extractor)\n"
        "try:\n"
        "    from extractor import Sesion\n"
        "except ImportError:\n"
        "    print('refused')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert (done.stdout, done.stderr) == ("refused\n", "")


def sections(function: object) -> dict[str, str]:
    """Return the parts of a numpydoc docstring by their headings."""
    parts = re.split(r"^(\w+)\n-+\n", inspect.getdoc(function) or "", flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


@pytest.mark.parametrize("name", FUNCTIONS)
def test_parameters_errors_and_example_are_documented(name: str) -> None:
    function = getattr(extractor, name)
    parameters = list(inspect.signature(function).parameters)
    told = sections(function)
    assert ">>> " in told["Examples"]
    assert "Error" in told["Raises"]
    if len(parameters) >= 3:
        heads = re.findall(r"^(\w[\w, ]*) : \S.*\n(?=    \S)", told["Parameters"], re.MULTILINE)
        assert [one for head in heads for one in head.split(", ")] == parameters


PACKAGE = Path(extractor.__file__).parent
EXAMPLES = {
    ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__"): text
    for path in sorted(PACKAGE.rglob("*.py"))
    if ">>> " in (text := path.read_text("utf-8"))
}


@pytest.mark.parametrize(
    "module",
    [
        pytest.param(module, marks=[pytest.mark.slow] if "sample_clips" in text else [])
        for module, text in EXAMPLES.items()
    ],
)
def test_examples(
    module: str, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the docstrings show is what comes out, in a folder where the sample session lies."""
    if "sample_clips" in EXAMPLES[module]:
        monkeypatch.chdir(request.getfixturevalue("sample_session").parent)
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        failed, tried = doctest.testmod(importlib.import_module(module))
    assert tried and not failed, said.getvalue()


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", NOTEBOOK, re.MULTILINE | re.DOTALL)


@pytest.mark.slow
def test_the_notebook_does_what_it_says(
    sample_session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(sample_session.parent)
    main, clip = blocks("python")
    (output,) = blocks("text")
    assert len([line for line in main.splitlines() if line]) <= 15
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        exec(main, {})
    assert said.getvalue() == output
    names: dict[str, object] = {}
    exec(clip, names)
    assert len(names["series"]) > 60  # type: ignore[arg-type]


def test_the_notebook_names_every_public_name() -> None:
    assert not [name for name in extractor.__all__ if f"`{name}`" not in NOTEBOOK]


def test_a_script_needs_no_guard(tmp_path: Path) -> None:
    """Worker processes do not run the script again that started them."""
    make_clip(tmp_path / "a.mp4", steady(0.5), stairs)
    make_clip(tmp_path / "b.mp4", steady(0.6), stairs)  # one alone is read without a worker
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    script = tmp_path / "script.py"
    script.write_text(
        "import sys\n"
        "from extractor import ReadOptions, Session, read_session\n"
        "report = read_session(Session(sys.argv[1]), ReadOptions(jobs=2))\n"
        "print([one.outcome for one in report.clips])\n"
    )
    done = subprocess.run(
        [sys.executable, str(script), str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert (done.stdout, done.stderr) == ("['read', 'read']\n", "")


FIELD = overlay.Field("bitrate", SIZE, overlay.Box(*BOX))


def test_a_clip_is_read_as_in_a_session(session_folder: Path, grey_reader: GreyReader) -> None:
    before = sorted(session_folder.rglob("*"))
    heard: list[float] = []
    limited = overlay.Overlay((dataclasses.replace(FIELD, maximum=25.0),))
    with pytest.warns(UserWarning, match=r"a\.mp4: bitrate: .* outside the limits"):
        found = extractor.read_clip(str(session_folder / "a.mp4"), limited, progress=heard.append)
    assert sorted(session_folder.rglob("*")) == before
    (series,) = found.values()
    assert heard and heard == sorted(heard)
    assert series["value"].tolist() == [stairs(i / 10) for i in range(20)]
    over = [stairs(i / 10) > 25 for i in range(20)]
    assert [flag == "range" for flag in series["flag"]] == over and any(over)
    text = overlay_toml("maximum = 25.0")
    (session_folder / "overlay.toml").write_text(text)
    extractor.read_session(
        extractor.Session(session_folder), extractor.ReadOptions(jobs=1, crosscheck=0)
    )
    written = extractor.load_results(session_folder).readings("a.mp4", "bitrate")
    assert written["value"].tolist() == series["value"].tolist()
    assert written["flag"].tolist() == series["flag"].tolist()


def test_options_of_a_clip(session_folder: Path, grey_reader: GreyReader) -> None:
    options = extractor.ReadOptions(rate_hz=5.0, crosscheck=0)
    found = extractor.read_clip(session_folder / "a.mp4", overlay.Overlay((FIELD,)), options)
    assert found["bitrate"]["time_s"].round(3).tolist() == [i / 5 for i in range(10)]


def test_a_clip_that_was_cut_off_is_named(tmp_path: Path, grey_reader: GreyReader) -> None:
    make_clip(tmp_path / "a.mkv", steady(4.0), stairs)
    whole = (tmp_path / "a.mkv").read_bytes()
    (tmp_path / "a.mkv").write_bytes(whole[: len(whole) // 2])
    with pytest.warns(UserWarning, match=r"a\.mkv: the recording was cut off"):
        extractor.read_clip(tmp_path / "a.mkv", overlay.Overlay((FIELD,)))


def test_a_clip_that_cannot_be_read(tmp_path: Path, grey_reader: GreyReader) -> None:
    fields = overlay.Overlay((FIELD,))
    with pytest.raises(extractor.ClipError, match=r"none\.mp4: cannot be read"):
        extractor.read_clip(tmp_path / "none.mp4", fields)
    outside = overlay.Overlay((overlay.Field("bitrate", SIZE, overlay.Box(300, 20, 64, 32)),))
    shutil.copy(__file__, tmp_path / "text.mp4")
    with pytest.raises(extractor.OverlayError, match="reaches outside its frame"):
        extractor.read_clip(tmp_path / "text.mp4", outside)
    with pytest.raises(extractor.ClipError, match=r"text\.mp4"):
        extractor.read_clip(tmp_path / "text.mp4", fields)


def test_numbers_out_of_range() -> None:
    from extractor.session.antennas import Antenna
    from extractor.statistics.power import Spreads

    spreads = Spreads(1.0, 0.5)
    for detect, clips in ((0.0, 1), (float("nan"), 1), (1.0, 0)):
        with pytest.raises(extractor.UsageError, match="detect must be above 0"):
            extractor.mountings_needed(detect, spreads, clips)
    with pytest.raises(extractor.UsageError, match="must be above 0"):
        extractor.expected_differences([Antenna("Slab")], Antenna("Coil"), 0.0)
