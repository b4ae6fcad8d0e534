"""Reading antennas.csv: every dialect, and one clear line for what is wrong."""

from dataclasses import fields

import pytest

from extractor.errors import TableError
from extractor.session.antennas import Antenna, find_antenna, read_antennas


def read(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "antennas.csv"
    path.write_bytes(text.encode(encoding))
    return read_antennas(path)


def test_all_but_the_name_is_optional(tmp_path):
    assert read(tmp_path, "antenna\nSlab\n") == (Antenna("Slab"),)


def test_row_with_everything(tmp_path):
    found = read(
        tmp_path,
        "antenna,kind,gain_dbi,polarisation,axial_ratio_db,beamwidth_deg,turns,circumference_wl,"
        "pitch_deg,width_mm,height_mm,cable,cable_m,pointing_error_deg\n"
        "Coil,Helix Antenna,15,RHCP,1,36,12,1.0,12.8,20,145,RG-316,2,5\n",
    )
    assert found == (
        Antenna("Coil", "helix", "rhcp", "RG-316", 15, 1, 36, 12, 1.0, 12.8, 20, 145, 2, 5),
    )
    assert found[0].size_m == pytest.approx(0.1464, abs=1e-4)


def test_spreadsheet_with_semicolons_and_decimal_commas(tmp_path):
    found = read(tmp_path, "\ufeffantenna;gain_dbi;cable_m\r\nSlab;11,5;0,3\r\n")
    assert found == (Antenna("Slab", gain_dbi=11.5, cable_m=0.3),)


def test_own_columns_are_left_alone(tmp_path):
    assert read(tmp_path, "antenna,paint\nSlab,grey\n") == (Antenna("Slab"),)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name\nSlab\n", ["antenna"]),
        ("antenna\n", ["no antenna"]),
        ("antenna,gain_db\nSlab,12\n", ["gain_db", "gain_dbi"]),
        ("antenna,gain_dbi\nSlab,12 dBi\n", ["line 2", "gain_dbi", "12 dBi"]),
        ("antenna,gain_dbi\nSlab,120\n", ["line 2", "gain_dbi", "-30 and 60"]),
        ("antenna,cable_m\nSlab,-1\n", ["line 2", "cable_m"]),
        ("antenna,polarisation\nSlab,spiral\n", ["line 2", "spiral", "rhcp"]),
        ("antenna,gain_dbi\nSlab,1\nSlab,2\n", ["Slab", "2 times"]),
        ("antenna,gain_dbi\n,1\n", ["line 2", "no name"]),
    ],
)
def test_bad_table_is_one_clear_line(tmp_path, text, words):
    with pytest.raises(TableError) as caught:
        read(tmp_path, text)
    message = str(caught.value)
    assert "\n" not in message
    assert all(word in message for word in [*words, "antennas.csv"])


def test_names_are_found_whatever_their_capitals(tmp_path):
    antennas = (Antenna("Slab"), Antenna("Coil"))
    assert find_antenna(antennas, " coil ") is antennas[1]
    assert find_antenna(antennas, "Fan") is None


def test_a_helical_antenna_is_a_helix_and_a_parabolic_one_a_dish(tmp_path):
    path = tmp_path / "antennas.csv"
    path.write_text("antenna,kind\nCoil,Helical\nBowl,parabolic antenna\nFan,Helix antenna\n")
    assert [one.kind for one in read_antennas(path)] == ["helix", "dish", "helix"]


@pytest.mark.parametrize("one", [f for f in fields(Antenna) if "limits" in f.metadata])
def test_both_ends_of_what_is_believed_are_read(tmp_path, one):
    for end in one.metadata["limits"]:
        (found,) = read(tmp_path, f"antenna,{one.name}\nSlab,{end}\n")
        assert getattr(found, one.name) == end
