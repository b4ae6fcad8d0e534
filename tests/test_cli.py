"""The command line as a user meets it: output, exit codes, one clear line for each mistake."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from clipmaker import GreyReader, make_clip, overlay_toml, stairs, steady
from command_line import run
from report_making import truth_session

from extractor.errors import UsageError
from extractor.reading import marking, suggestions
from extractor.session import overlay_file
from extractor.session.folder import Session
from extractor.session.overlay import Box


def test_read_prints_a_table_and_where_the_files_are(
    session_folder: Path, grey_reader: GreyReader
) -> None:
    code, out, err = run("read", session_folder, "--jobs", 1)
    assert code == 0
    assert "14.00 Mbit/s" in out
    assert "100.0 %" in out
    assert str(session_folder / "results" / "summary.csv") in out
    assert "a.mp4: bitrate 14.0 Mbit/s" in err
    code, out, err = run("read", session_folder, "--jobs", 1, "--quiet")
    assert (code, err) == (0, "")


def test_failed_clip_is_exit_code_3_and_the_rest_is_done(
    session_folder: Path, grey_reader: GreyReader
) -> None:
    (session_folder / "bad.mp4").write_text("nothing")
    code, out, err = run("read", session_folder, "--jobs", 1)
    assert code == 3
    assert "error: bad.mp4: is not a video" in err
    assert "14.00 Mbit/s" in out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["read", "none"], "not there; give the folder"),
        (["read", "."], "holds no clips"),
        (["read", ".", "--rate", "0"], "--rate"),
        (["read", ".", "--reader", "best"], "no"),
        (["mark", "."], "give one of: --field with --box"),
        (["mark", ".", "--field", "x"], "--field and --box go together"),
        (["mark", ".", "--field", "x", "--box", "1,2,3"], "four whole numbers"),
        (["mark", ".", "--accept", "bitrate"], "give number=name"),
        (["summarise", "none.csv", "--time", "t", "--value", "v"], "none.csv: not there"),
        (["summarise", "none.csv"], "--time"),
        (["unknown"], "unknown"),
    ],
)
def test_wrong_usage_is_exit_code_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    code, _, err = run(*arguments)
    assert code == 2
    assert said in err
    assert "Traceback" not in err


def test_results_that_cannot_be_written(session_folder: Path, grey_reader: GreyReader) -> None:
    # What a read-only folder answers; the tests may run as root, who may write everywhere.
    (session_folder / "results").write_text("a file where the folder should be")
    code, _, err = run("read", session_folder, "--jobs", 1)
    assert code == 2
    assert err.count("\n") == 1
    assert "cannot be written" in err


def test_malformed_overlay_names_the_place(session_folder: Path) -> None:
    (session_folder / "overlay.toml").write_text("version = \n")
    code, _, err = run("read", session_folder)
    assert code == 2
    assert "overlay.toml: is not valid TOML" in err


@pytest.mark.parametrize("command", ["read", "quick", "mark", "open"])
def test_a_missing_system_library_is_one_line_that_names_both_ways(
    session_folder: Path, tmp_path_factory: pytest.TempPathFactory, command: str
) -> None:
    folder = tmp_path_factory.mktemp("broken")
    (folder / "cv2.py").write_text(
        "raise ImportError('libGL.so.1: cannot open shared object file: No such file')"
    )
    options = {"mark": ["--suggest"], "open": ["--no-browser"]}.get(command, [])
    done = subprocess.run(
        [sys.executable, "-m", "extractor", command, str(session_folder), *options],
        env=os.environ | {"PYTHONPATH": str(folder)},
        cwd=Path(__file__).parents[1],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    for said in ("libGL.so.1", "apt-get install libgl1", "opencv-python-headless"):
        assert said in done.stderr


def test_an_output_of_few_letters_gets_a_question_mark(tmp_path: Path) -> None:
    folder = tmp_path / "Grün"
    folder.mkdir()
    (folder / "log.csv").write_text("t,v\n" + "".join(f"{i},{i % 7}\n" for i in range(60)))
    done = subprocess.run(
        [
            *(sys.executable, "-m", "extractor", "summarise", str(folder / "log.csv")),
            *("--time", "t", "--value", "v", "--out", str(folder / "sum.csv")),
        ],
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
        cwd=Path(__file__).parents[1],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Gr?n" in done.stdout


def test_a_home_that_cannot_be_written_is_no_news(tmp_path: Path) -> None:
    session = truth_session(tmp_path / "club")
    (tmp_path / "home").write_text("a file: nobody can make a folder in it")
    homes = {name: str(tmp_path / "home") for name in ("HOME", "USERPROFILE")}
    done = subprocess.run(
        [sys.executable, "-m", "extractor", "card", str(session)],
        env={k: v for k, v in os.environ.items() if not k.startswith(("XDG", "MPL"))} | homes,
        cwd=Path(__file__).parents[1],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_debug_shows_where(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "extractor", "read", str(tmp_path)]
    plain = subprocess.run(command, capture_output=True, text=True, check=False)
    assert plain.returncode == 2
    assert plain.stderr.count("\n") == 1
    shown = subprocess.run([*command, "--debug"], capture_output=True, text=True, check=False)
    assert "Traceback" in shown.stderr


def test_interrupted_is_exit_code_130_and_leaves_no_half_file(tmp_path: Path) -> None:
    for name in ("a.mp4", "b.mp4", "c.mp4"):
        make_clip(tmp_path / name, steady(20.0), stairs)
    (tmp_path / "overlay.toml").write_text(overlay_toml())
    process = subprocess.Popen(
        [sys.executable, "-m", "extractor", "read", str(tmp_path), "--rate", "30"],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
        cwd=Path(__file__).parents[1],
    )
    deadline = time.monotonic() + 60
    while not (tmp_path / "results").exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    time.sleep(1.0)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does
    _, err = process.communicate(timeout=60)
    assert process.returncode in (130, 0)  # 0: it was faster than the signal
    if process.returncode == 130:
        assert "interrupted" in err
        assert "Traceback" not in err
    for path in (tmp_path / "results").rglob("*"):
        assert ".part" not in path.name
    for path in (tmp_path / "results").rglob("*.csv"):
        assert path.read_text().endswith("\n")


def test_mark_writes_overlay_reads_and_saves_a_picture(
    session_folder: Path, grey_reader: GreyReader
) -> None:
    (session_folder / "overlay.toml").unlink()
    code, out, _ = run(
        *("mark", session_folder, "--field", "bitrate", "--box", "40,20,64,32"),
        *("--unit", "Mbit/s", "--decimals", 0, "--minimum", 0, "--maximum", 45),
        *("--ceiling", 40, "--low", 4, "--better", "higher", "--on", "b.mkv", "--at", 1.0),
    )
    assert code == 0
    assert out.count("a.mp4") == out.count("b.mkv") == 5
    assert "Readable at all 10 instants" in out
    assert (session_folder / "results/pictures/mark_bitrate.png").stat().st_size > 1000
    (field,) = overlay_file.load(session_folder / "overlay.toml").fields
    assert (field.box, field.ceiling, field.low, field.decimals) == (Box(40, 20, 64, 32), 40, 4, 0)
    # An update changes what is named and keeps the rest.
    code, _, _ = run("mark", session_folder, "--field", "bitrate", "--box", "41,20,64,32")
    (field,) = overlay_file.load(session_folder / "overlay.toml").fields
    assert (field.box.x, field.ceiling, field.unit) == (41, 40, "Mbit/s")
    code, out, _ = run("mark", session_folder, "--list")
    assert "41,20,64,32" in out
    code, _, err = run("mark", session_folder, "--field", "b", "--box", "300,20,64,32")
    assert (code, "reaches outside its frame of 320x180" in err) == (2, True)
    code, _, err = run("mark", session_folder, "--remove", "speed")
    assert (code, "no field 'speed'" in err) == (2, True)
    code, _, _ = run("mark", session_folder, "--remove", "bitrate")
    assert code == 0
    assert not (session_folder / "overlay.toml").exists()


def test_mark_another_shape_gives_a_way_out(session_folder: Path, grey_reader: GreyReader) -> None:
    make_clip(session_folder / "odd.mp4", steady(0.5), stairs, size=(320, 240))
    assert run("read", session_folder, "--jobs", 1)[0] == 3
    run(*("mark", session_folder, "--field", "bitrate", "--box", "40,20,64,32", "--on", "odd.mp4"))
    (field,) = overlay_file.load(session_folder / "overlay.toml").fields
    assert field.frame == (320, 180)
    assert field.also[0].frame == (320, 240)
    assert run("read", session_folder, "--jobs", 1)[0] == 0


def test_suggest_finds_the_changing_number(session_folder: Path, grey_reader: GreyReader) -> None:
    found = suggestions.suggest(Session(session_folder), "network")
    # The patch's edges stay while the scene moves; it reaches from 32, 12 to 112, 60.
    patch = Box(32, 12, 80, 48)
    hits = [
        i for i, c in enumerate(found.candidates, 1) if suggestions._overlap(c.box, patch) > 0.6
    ]
    assert hits
    code, out, _ = run("mark", session_folder, "--suggest", "--accept", f"{hits[0]}=speed")
    assert code == 0
    assert "suggestions.png" in out
    assert "speed" in [f.name for f in overlay_file.load(session_folder / "overlay.toml").fields]
    code, _, err = run("mark", session_folder, "--suggest", "--accept", "9=speed")
    assert (code, "there are" in err) == (2, True)


def test_quick(session_folder: Path, grey_reader: GreyReader) -> None:
    code, out, _ = run("quick", session_folder, "--jobs", 1)
    assert code == 0
    assert "bitrate: readable in all 2 clips" in out


def test_what_is_wrong_in_a_log_is_said_with_its_name(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("t;v\n0;38,4\n;38,5\n")
    code, _, err = run("summarise", log, "--time", "t", "--value", "v")
    assert code == 2
    assert err.startswith(f"error: {log}: row 3: ")


def test_summarise_a_hand_kept_log(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(
        "Zeit;Rate\n" + "".join(f"00:{i:02d};{20 + i % 3},5\n" for i in range(30)) + "00:30;--\n"
    )
    out_file = tmp_path / "out.csv"
    code, out, _ = run(
        *("summarise", log, "--time", "Zeit", "--value", "Rate", "--unit", "Mbit/s"),
        *("--out", out_file),
    )
    assert code == 0
    assert "21.50 Mbit/s" in out
    with out_file.open(newline="") as stream:
        (row,) = csv.DictReader(stream)
    assert (row["n"], row["n_no_link"]) == ("30", "1")
    assert float(row["mean"]) == pytest.approx(21.5)
    code, _, err = run("summarise", log, "--time", "t", "--value", "Rate")
    assert (code, "has no column 't' (it has: Zeit, Rate)" in err) == (2, True)


def test_parse_accepted() -> None:
    assert marking.parse_accepted(["1=bitrate", "2=latency"]) == {1: "bitrate", 2: "latency"}
    # The second would take the place of the first: a delay that calls itself a bitrate.
    for twice in (["1=bitrate", "2=bitrate"], ["1=bitrate", "1=latency"]):
        with pytest.raises(UsageError, match="once only"):
            marking.parse_accepted(twice)
