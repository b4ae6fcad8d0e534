"""The session's text files: overlay.toml, session.toml, runs.csv, antennas.csv."""

from __future__ import annotations

import csv
from pathlib import Path

from .plan import CLIPS, Clip

COMPANION = "Stub"
"""What hangs on the port that is not under test, in every run: the club owns a second one."""

OVERLAY = """\
# The two numbers at the top centre, marked by hand on one frame of slab_m1_red.mp4.
version = 1

[[field]]
name = "bitrate"
unit = "Mbit/s"
frame = [1600, 900]
box = [668, 20, 147, 53]    # x, y, width, height: a little loose, the unit left out
decimals = 1
better = "higher"
minimum = 0.0
maximum = 45.0
ceiling = 40.0              # where this link tops out

[[field]]
name = "latency"
unit = "ms"
frame = [1600, 900]
box = [724, 75, 92, 37]
decimals = 0
better = "lower"
minimum = 5.0
maximum = 300.0
"""

SESSION = """\
# Invented for the demonstration: no such session took place.
place = "boat club shore station"
distance_m = 180.0
walls = 1
channel_mhz = 5805
width_mhz = 20
power_mw = 10
rate_mode = "automatic, up to 40 Mbit/s"
firmware = "demo"
transmitter_antenna = "Mast"
cooling = "fan on the transmitter, running ten minutes before the first run"
supply = "bench supply, 12 V"
notes = "Through the timber wall of the boat shed. Survey boat moored, camera turning slowly. \
A second Stub hung on the port that was not under test."
"""

ANTENNAS = """\
antenna,kind,gain_dbi,polarisation,axial_ratio_db,beamwidth_deg,turns,circumference_wl,pitch_deg,width_mm,height_mm,cable,cable_m,pointing_error_deg,colour,mark
Slab,flat panel,11.0,rhcp,2.0,55,,,,110,110,RG-402,0.5,5,olive,square
Coil,helix,14.6,rhcp,1.0,38,9,1.0,12.8,,,RG-174,1.3,10,teal,diamond
Fan,log-periodic,7.0,vertical,,65,,,,,,RG-402,0.5,5,red,triangle
Stub,dipole,2.15,vertical,,,,,,,,,0,,blue,circle
Mast,cloverleaf,1.5,rhcp,1.5,,,,,,,,0,,,
"""

RUN_COLUMNS = (
    "run", "clip", "start_s", "end_s", "antenna", "port", "others", "mounting", "position",
    "repeat", "order", "notes",
)  # fmt: skip


def write_tables(folder: Path) -> None:
    """Write the four files into `folder`."""
    texts = {"overlay.toml": OVERLAY, "session.toml": SESSION, "antennas.csv": ANTENNAS}
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    with (folder / "runs.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(RUN_COLUMNS)
        table.writerows(_run(clip) for clip in sorted(CLIPS, key=lambda clip: clip.order))


def _run(clip: Clip) -> tuple:
    free = "Green" if clip.port == "Red" else "Red"
    run, mounting = f"run{clip.order:02d}", clip.mounting.removeprefix("m")
    return (
        run, clip.file_name, "", "", clip.antenna, clip.port, f"{free}={COMPANION}", mounting,
        "1", 1, clip.order, clip.notes,
    )  # fmt: skip
