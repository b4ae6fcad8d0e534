"""The card: exact pixels, text inside the safe area, and never more certain than the comparison."""

from __future__ import annotations

import subprocess
import sys

import cv2
import numpy as np
import pytest
from comparison_making import compared, five_by_hand, scenario
from report_making import made_up_session, rounds, truth_session

from extractor.errors import UsageError
from extractor.report import card, story, theme
from extractor.report.canvas import Canvas, width_of
from extractor.video.encoding import Format, parse_format

SIZES = ("1920x1080", "3840x2160", "1080x1920", "1080x1080")


@pytest.fixture
def written(monkeypatch) -> list[tuple[str, float, float, float, float]]:
    """Every line that is written on a canvas: text, left, right, baseline, size."""
    found = []
    real = Canvas.text

    def text(self, x, y, text, size, color=theme.INK, *, bold=False, right=False, middle=False):
        width = width_of(text, size, bold=bold)
        left = x - (width if right else width / 2 if middle else 0)
        found.append((text, left, left + width, y, size))
        return real(self, x, y, text, size, color, bold=bold, right=right, middle=middle)

    monkeypatch.setattr(Canvas, "text", text)
    return found


def assert_safe(written, form: Format) -> None:
    """Inside the safe area (EBU R 95: 5 % for text), and no two lines on each other."""
    assert written
    for text, left, right, y, size in written:
        assert left >= card.SAFE * form.width - 1, text
        assert right <= (1 - card.SAFE) * form.width + 1, text
        assert y - 0.75 * size >= card.SAFE * form.height - 2, text
        assert y + 0.2 * size <= (1 - card.SAFE) * form.height + 2, text
    for i, (text, left, right, y, size) in enumerate(written):
        for other, a, b, base, high in written[i + 1 :]:
            across = min(right, b) - max(left, a)
            down = min(y, base) - max(y - 0.7 * size, base - 0.7 * high)
            assert not (across > 1 and down > 1 and text and other), (text, other)


@pytest.mark.parametrize("size", SIZES)
def test_size_is_exact_and_the_text_complete(tmp_path, size, written) -> None:
    form = parse_format(size)
    club = truth_session(tmp_path / "club")
    path = card.write_card(club, size=form, title="Title")
    assert path == club / "results" / "pictures" / f"card-{size}.png"
    assert cv2.imread(str(path), cv2.IMREAD_UNCHANGED).shape == (form.height, form.width, 3)
    assert_safe(written, form)
    flat = " ".join(line[0] for line in written)
    for part in ("Title", "n = 16 runs in 8 mountings", "In 95 of 100 such tests", "180 m",
                 "1 wall", "Bitrate (median) in Mbit/s, higher is better", "2–3",
                 "Fan and Coil can't be", "34."):  # fmt: skip
        assert part in flat, part
    unit = min(form.width / 1920, form.height / 1080) if form.width > form.height else 1
    names = [line for line in written if line[0] in ("Slab", "Fan", "Coil", "Stub")]
    assert len(names) == 4
    assert min(line[4] for line in names) >= 45 * unit  # 4 mm and more on a phone held across


@pytest.mark.parametrize("dark", [True, False])
def test_a_bar_ends_at_its_mean_and_fades_over_its_interval(tmp_path, dark) -> None:
    with story.told([truth_session(tmp_path / "club")]) as told:
        board = card.Board(told, Format(), dark)
        picture = board.drawn().pixels
        _, _, _, begin, end = board._columns
        for i, row in enumerate(board.rows):
            y = round(board.rows_from + (i + 0.5) * board.row_height)
            line = picture[y, round(begin) : round(end), :3].astype(int)
            ink = np.array([int(board_tone(row, dark)[k : k + 2], 16) for k in (1, 3, 5)])
            full = np.abs(line - ink).max(axis=1) < 3
            scale = (end - begin) / board.top_value
            assert np.flatnonzero(full)[-1] == pytest.approx(row.low * scale, abs=3)
            empty = np.abs(line - line[-1]).max(axis=1) > 3
            assert np.flatnonzero(empty)[-1] == pytest.approx(row.high * scale, abs=3)


def board_tone(row: story.Row, dark: bool) -> str:
    return theme.DARK[row.look.color] if dark else row.look.color


def test_background_plain_transparent_and_of_ones_own(tmp_path) -> None:
    club, form = truth_session(tmp_path / "club"), Format(1080, 1080)
    own = np.full((300, 500, 3), (10, 200, 30), np.uint8)
    cv2.imwrite(str(tmp_path / "own.png"), own)
    seen = {}
    for background in ("plain", "transparent", str(tmp_path / "own.png")):
        path = card.write_card(club, tmp_path / "c.png", size=form, background=background)
        seen[background] = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    plain, clear, mine = seen.values()
    assert (plain.shape[2], clear.shape[2], mine.shape[2]) == (3, 4, 3)
    assert clear[5, 5, 3] == 0
    assert clear[540, 1000, 3] > 230
    assert mine[5, 5].tolist() == [10, 200, 30]
    for wrong in (str(tmp_path / "none.png"), str(club / "overlay.toml")):
        with pytest.raises(UsageError, match="--background"):
            card.write_card(club, background=wrong)


def test_lower_is_better_is_said_and_ranked(tmp_path, written) -> None:
    card.write_card(truth_session(tmp_path / "club"), field="latency")
    flat = [line[0] for line in written]
    assert any("latency in ms, lower is better" in line for line in flat)
    names = [line for line in flat if line in ("Slab", "Fan", "Coil", "Stub")]
    assert names[0] == "Slab"


def test_verdicts() -> None:
    def said(rows) -> str:
        comparison = compared(rows)
        return story.verdict(comparison, theme.looks(comparison.order.names))

    assert said(scenario()).startswith("Slab is best: at least 2.8 Mbit/s")
    assert said(scenario()).endswith("can't be told apart.")
    assert said(scenario().query("antenna in ['Coil', 'Fan']")).startswith(
        "No antenna is shown to be better"
    )
    once = compared(five_by_hand())
    assert "mounted once" in story.verdict(once, theme.looks(once.order.names))
    rows = story._ranked(once, theme.looks(once.order.names))
    assert {row.place for row in rows} == {""}  # no ranking of what was mounted once


@pytest.mark.parametrize("size", SIZES)
def test_many_long_names_stay_on_the_card(tmp_path, written, size) -> None:
    runs = [(f"{'long name ' * 8}{i}", "Red", str(m)) for i in range(16) for m in (1, 2)]
    folder = made_up_session(tmp_path / "many", runs)
    form = parse_format(size)
    card.write_card(folder, size=form, title="T " * 300)
    assert_safe(written, form)
    assert f"Best {card.MOST_ROWS} of 16 shown" in " ".join(line[0] for line in written)


def test_one_antenna_alone_is_shown_without_a_ranking(tmp_path, written) -> None:
    folder = made_up_session(tmp_path / "one", [("A", "U", "1"), ("A", "U", "2")])
    card.write_card(folder)
    flat = " ".join(line[0] for line in written)
    assert "a comparison needs at least two antennas" in flat
    assert "n = 2 runs, 2 mountings" in flat
    with pytest.raises(UsageError, match="no run says its"):
        card.write_card(made_up_session(tmp_path / "none", [("", "", "")]))


def test_all_rounds_on_one_card_and_what_changed_is_said_once(tmp_path, written) -> None:
    card.write_card(rounds(tmp_path, 0.8))
    flat = " ".join(line[0] for line in written)
    assert "n = 32 runs in 16 mountings" in flat
    assert flat.count("The evening in summer read 0.8 Mbit/s less than The evening in spring") == 1
    assert "for all" in flat


def test_a_card_is_made_without_loading_what_draws_charts_or_finds_roots(tmp_path):
    session = truth_session(tmp_path / "club")
    made = (
        "import sys\n"
        "from extractor import write_card\n"
        "write_card(sys.argv[1], sys.argv[2])\n"
        "print({'matplotlib', 'scipy.optimize', 'scipy.stats'} & set(sys.modules))"
    )
    command = [sys.executable, "-c", made, str(session), str(tmp_path / "card.png")]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert said.strip() == "set()"


def test_the_signs_for_which_no_font_is_asked_are_in_the_usual_one():
    ft2font = pytest.importorskip("matplotlib.ft2font")
    for bold in (False, True):
        held = ft2font.FT2Font(theme.font_file(bold=bold)).get_charmap()
        assert not [sign for sign in theme.HELD if ord(sign) not in held]
    assert theme.drawable("Slab – 38.4 ≥ 4 \U0010fffe") == "Slab – 38.4 ≥ 4 □"
