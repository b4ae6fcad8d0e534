"""File names: what they say for sure, and what must not be read into them."""

import pytest

from extractor.session import file_names


def named(*shapes: str, antennas: str = "slab coil fan") -> list[str]:
    """Names of every antenna in every shape, as ``{}_m1_red``."""
    return [f"{shape.format(a)}.mp4" for a in antennas.split() for shape in shapes]


CROSSED = named("{}_m1_red", "{}_m1_green", "{}_m2_red", "{}_m2_green")


def test_antenna_port_and_mounting_are_told_apart() -> None:
    said = file_names.propose(CROSSED)
    assert said["coil_m2_green.mp4"] == {"antenna": "Coil", "port": "Green", "mounting": "2"}
    assert len(said) == len(CROSSED)


@pytest.mark.parametrize(
    "shapes",
    [
        ("red {} mount 1", "green {} mount 1", "red {} mount 2", "green {} mount 2"),
        ("{}/m1-red", "{}/m1-green", "{}/m2-red", "{}/m2-green"),
        (
            "20260103_{}_M1.red",
            "20260103_{}_M1.green",
            "20260103_{}_M2.red",
            "20260103_{}_M2.green",
        ),
        ("{}_m1_red_1080p", "{}_m1_green_1080p", "{}_m2_red_1080p", "{}_m2_green_1080p"),
        (
            "2026-01-03 12-00-00 {} red m1",
            "2026-01-03 12-01-10 {} green m1",
            "2026-01-03 13-00-00 {} red m2",
            "2026-01-03 13-01-10 {} green m2",
        ),
        ("{}_m1_red_take1", "{}_m1_green_take2", "{}_m2_red_take1", "{}_m2_green_take1"),
    ],
)
def test_other_ways_to_write_the_same(shapes: tuple[str, ...]) -> None:
    said = file_names.propose(named(*shapes))
    assert [tuple(cells.values()) for cells in said.values()][:5] == [
        ("Slab", "Red", "1"),
        ("Slab", "Green", "1"),
        ("Slab", "Red", "2"),
        ("Slab", "Green", "2"),
        ("Coil", "Red", "1"),
    ]


def test_a_name_of_another_shape_gets_nothing_and_spoils_nothing() -> None:
    strays = ["coil_red.mp4", "coil_m1_red_copy.mp4", "coil_test_red.mp4", "REC_0001.mp4"]
    said = file_names.propose([*CROSSED, *strays])
    assert set(said) == set(CROSSED)


def test_a_slip_of_the_pen_is_no_antenna() -> None:
    said = file_names.propose([*CROSSED, "slba_m1_red.mp4"])
    assert "slba_m1_red.mp4" not in said
    assert said["slab_m1_red.mp4"]["antenna"] == "Slab"


def test_capitals_make_no_second_antenna() -> None:
    said = file_names.propose(
        ["Slab_m1_red.mp4", "slab_m1_GREEN.mp4", "fan_m1_red.mp4", "fan_m1_Green.mp4"]
    )
    assert {cells["antenna"] for cells in said.values()} == {"Slab", "Fan"}
    assert len({cells["port"] for cells in said.values()}) == 2


def test_an_accent_stored_in_two_ways_makes_no_second_antenna() -> None:
    names = named("{}_m1_red", "{}_m1_green", "{}_m2_red", antennas="c\u00f4ne fan")
    names[0] = names[0].replace("\u00f4", "o\u0302")
    said = file_names.propose(names)
    assert {cells["antenna"] for cells in said.values()} == {"C\u00f4ne", "Fan"}
    # As antennas.csv writes it.
    known = file_names.propose(names, ["co\u0302ne", "fan"])
    assert {cells["antenna"] for cells in known.values()} == {"co\u0302ne", "fan"}


def test_known_antennas_are_found_where_the_pattern_alone_would_not_do() -> None:
    names = named("barn_{}", "yard_{}")
    assert file_names.propose(names) == {}
    said = file_names.propose(names, ["SLAB", "Coil", "fan"])
    assert list(said.values())[:2] == [{"antenna": "SLAB"}] * 2
    # With a list of antennas at hand no other word is one.
    assert file_names.propose(CROSSED, ["Mast"]) == {}
    assert file_names.propose(named("mast_{}_m1", "mast_{}_m2"), ["Mast", "Slab", "Coil", "Fan"])[
        "mast_coil_m2.mp4"
    ] == {"antenna": "Coil", "mounting": "2"}


@pytest.mark.parametrize(
    "names",
    [
        [],
        ["a.mp4"],
        [f"REC{i:04d}.mp4" for i in range(1, 6)],
        [f"REC_{i:04d}.mp4" for i in range(1, 6)],
        ["20260101_120000.mp4", "20260101_120500.mp4"],
        ["2026-01-01 12-00-00.mp4", "2026-01-01 12-05-00.mp4"],
        ["slab_upper.mp4", "coil.mp4"],
        # Whether the first or the second word is the antenna nobody can tell.
        named("barn_{}_m1", "yard_{}_m1", "barn_{}_m2", "yard_{}_m2"),
        named("{}_m1_a", "{}_m1_b"),
        # Neither mounting nor port: barn and yard would look the same.
        named("{}_1", "{}_2"),
        named("{}_1080p", "{}_720p"),
        # Numbered things: antennas, days or runs?
        ["day1_m1.mp4", "day1_m2.mp4", "day2_m1.mp4", "day2_m2.mp4"],
        # Each once.
        named("{}_m1_red"),
        # The colour may be the antenna's own.
        ["red_m1_left.mp4", "red_m1_right.mp4", "green_m1_left.mp4", "green_m1_right.mp4"],
        ["coil_red_m1.mp4", "coil_red_m2.mp4", "fan_green_m1.mp4", "fan_green_m2.mp4"],
    ],
)
def test_names_that_do_not_say_it_are_not_guessed_at(names: list[str]) -> None:
    assert file_names.propose(names) == {}


@pytest.mark.parametrize(
    "what", ["20260103", "2026-01-03", "20260103120000", "03.01.2026", "day2", "day 2", "card_b"]
)
def test_mountings_that_begin_anew_are_left_empty(what: str) -> None:
    """The first mounting of another day is not that of the first."""
    firsts = {"day2": "day1", "day 2": "day 1", "card_b": "card_a", "03.01.2026": "02.01.2026"}
    before = firsts.get(what, "20260102")
    names = named(*(f"{w}/{{}}_m{m}_red" for w in (before, what) for m in (1, 2)))
    said = file_names.propose(names, ["Slab", "Coil", "Fan"])
    assert list(said.values())[:2] == [{"antenna": "Slab"}] * 2


@pytest.mark.parametrize(
    ("names", "counted"),
    [
        (["REC_0001.mp4", "REC_0002.mp4", "REC_0004.mp4"], True),
        (["20260101_120000.mp4", "20260101_120500.mp4"], True),
        (["coil1_port1.mp4", "coil1_port2.mp4", "coil2_port1.mp4"], False),
        (["ant1.mp4", "ant2.mp4", "ant3.mp4"], False),
        (["range_100.mp4", "range_200.mp4", "range_300.mp4"], False),
        (["a.mp4", "b.mp4"], False),
    ],
)
def test_a_running_number_is_told_from_other_numbers(names: list[str], counted: bool) -> None:
    assert file_names.are_counted(names) is counted
