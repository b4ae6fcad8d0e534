"""Gain of helices by the moment method: the table that the package reads, and its error.

Run by hand, in an environment that also has ``PyNEC`` (NEC-2):
``python -m tests.benchmarks.helix_gain [--write] [--spread] [--between 200]``.

The table's helix is a lossless wire of radius 0.01 wavelengths (1 mm thick at 5.8 GHz) that rises
from an infinite perfect plane, fed by a source in its first segment; segments are 0.05 wavelengths
long (16 a turn at least), with the extended thin-wire kernel. Every gain is total power on the axis
divided by the pattern's own mean over the sphere, which takes out the error of the input power
(about 0.5 dB). ``--spread`` repeats it with other wires, segments and square plates of wire mesh;
``--between`` compares the interpolated table with runs at points drawn between its own.
"""

from __future__ import annotations

import argparse
import itertools
import math
import sys

import numpy as np

from extractor.radio.antenna_gain import (
    HELIX_CIRCUMFERENCES_WL,
    HELIX_PITCHES_DEG,
    HELIX_TABLE,
    HELIX_TURNS,
    helix_table_dbi,
)

STEP_DEG = 2.0
DIRECTIONS = 25
"""Angles round the axis, the last of them the first again."""


def gain_dbi(
    turns: float,
    circumference_wl: float,
    pitch_deg: float,
    *,
    radius_wl: float = 0.01,
    segment_wl: float = 0.05,
    plate_wl: float | None = None,
) -> float:
    """Gain on the axis; `plate_wl` is the side of a square plate, infinite when None."""
    from PyNEC import nec_context

    nec = nec_context()
    geometry = nec.get_geometry()
    wires = [] if plate_wl is None else mesh(plate_wl, circumference_wl)
    source = len(wires) + 1
    wires += spiral(turns, circumference_wl, pitch_deg, radius_wl, segment_wl, plate_wl)
    for tag, wire in enumerate(wires, 1):
        geometry.wire(tag, 1, *wire, 1, 1)
    nec.geometry_complete(int(plate_wl is None))
    nec.gn_card(1 if plate_wl is None else -1, 0, 0, 0, 0, 0, 0, 0)
    nec.set_extended_thin_wire_kernel(True)
    nec.fr_card(0, 1, 299.792458, 0)  # MHz: one wavelength is one metre
    nec.ex_card(0, source, 1, 0, 1.0, 0, 0, 0, 0, 0)
    rows = 1 + round((90 if plate_wl is None else 180) / STEP_DEG)
    nec.rp_card(0, rows, DIRECTIONS, 1, 0, 0, 0, 0, 0, STEP_DEG, 360 / (DIRECTIONS - 1), 0, 0)
    # PyNEC 2.3 leaves the first column of this array unset; the last one is the same direction.
    power = 10 ** (np.array(nec.get_radiation_pattern(0).get_gain())[:, 1:] / 10)
    theta = np.radians(STEP_DEG * np.arange(rows))
    mean = np.trapezoid(power.mean(axis=1) * np.sin(theta), theta) / 2
    return float(10 * math.log10(power[0].mean() / mean))


def spiral(turns, circumference_wl, pitch_deg, radius_wl, segment_wl, plate_wl):
    """Wires of the helix; over a mesh it stands on a short upright wire, the source."""
    around_wl = circumference_wl / (2 * math.pi)
    foot_wl = 0.0 if plate_wl is None else 0.04
    count = round(turns * max(16, round(circumference_wl / segment_wl)))
    angle = np.linspace(0, 2 * math.pi * turns, count + 1)
    rise = foot_wl + angle * around_wl * math.tan(math.radians(pitch_deg))
    points = np.column_stack([around_wl * np.cos(angle), around_wl * np.sin(angle), rise])
    wires = [(*a, *b, radius_wl) for a, b in itertools.pairwise(points)]
    return [(around_wl, 0, 0, around_wl, 0, foot_wl, radius_wl), *wires] if foot_wl else wires


def mesh(side_wl, circumference_wl):
    """Wires of a square plate; the helix's foot stands on one of its nodes."""
    step = circumference_wl / (4 * math.pi)
    half = round(side_wl / 2 / step)
    radius = step / (4 * math.pi)
    wires = []
    for i in range(-half, half + 1):
        for j in range(-half, half):
            wires.append((i * step, j * step, 0, i * step, (j + 1) * step, 0, radius))
            wires.append((j * step, i * step, 0, (j + 1) * step, i * step, 0, radius))
    return wires


def write_table() -> None:
    """Run the whole table and replace the file that the package reads."""
    lines = []
    for pitch in HELIX_PITCHES_DEG:
        for turns in HELIX_TURNS:
            gains = [gain_dbi(turns, c, pitch) for c in HELIX_CIRCUMFERENCES_WL]
            lines.append(",".join(f"{one:.2f}" for one in gains))
            print(f"pitch {pitch:g}, {turns} turns: {lines[-1]}", flush=True)
    HELIX_TABLE.write_text("\n".join(lines) + "\n", encoding="utf-8")


def print_spread() -> None:
    """Deviation from the table with other wires, segments and plates, by circumference."""
    variants = {
        "wire 0.005": {"radius_wl": 0.005},
        "wire 0.015": {"radius_wl": 0.015},
        "segments 0.04": {"segment_wl": 0.04},
        "segments 0.06": {"segment_wl": 0.06},
        "plate 0.75": {"plate_wl": 0.75},
        "plate 1.0": {"plate_wl": 1.0},
        "plate 1.5": {"plate_wl": 1.5},
    }
    print("| deviation, dB | C " + " | C ".join(f"{c:g}" for c in _CHECKED) + " |")
    for name, options in variants.items():
        cells = []
        for c in _CHECKED:
            off = [
                gain_dbi(n, c, 12.8, **options) - gain_dbi(n, c, 12.8) for n in (3, 5, 9, 12, 20)
            ]
            cells.append(f"{min(off):+.1f} to {max(off):+.1f}")
        print(f"| {name} | " + " | ".join(cells) + " |", flush=True)


_CHECKED = (0.8, 0.9, 1.0, 1.1, 1.2, 1.25, 1.3)


def print_between(count: int) -> None:
    """Interpolated table against direct runs at points drawn between."""
    rng = np.random.default_rng(1)
    ends = (HELIX_TURNS[0], HELIX_TURNS[-1])
    off, at = [], []
    for _ in range(count):
        turns = float(np.exp(rng.uniform(*np.log(ends))))
        c = rng.uniform(HELIX_CIRCUMFERENCES_WL[0], HELIX_CIRCUMFERENCES_WL[-1])
        pitch = rng.uniform(HELIX_PITCHES_DEG[0], HELIX_PITCHES_DEG[-1])
        off.append(helix_table_dbi(turns, c, pitch) - gain_dbi(turns, c, pitch))
        at.append(c)
    for name, chosen in (
        ("up to 1.2", np.array(at) <= 1.2),
        ("above 1.2", np.array(at) > 1.2),
    ):
        part = np.array(off)[chosen]
        worst = np.quantile(np.abs(part), [0.95, 1])
        print(
            f"circumference {name}: {part.size} points, rms {np.sqrt(np.mean(part**2)):.2f} dB, "
            f"95 % within {worst[0]:.2f}, all within {worst[1]:.2f}"
        )


def main() -> int:
    """Do what was asked; without an option print the issue's column: 9 turns, 12.8 degrees."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--spread", action="store_true")
    parser.add_argument("--between", type=int, default=0)
    asked = parser.parse_args()
    if asked.write:
        write_table()
    if asked.spread:
        print_spread()
    if asked.between:
        print_between(asked.between)
    if not (asked.write or asked.spread or asked.between):
        for c in (0.9, 1.0, 1.1, 1.15, 1.2, 1.25, 1.3, 1.4):
            print(f"9 turns, circumference {c:.2f}: {gain_dbi(9, c, 12.8):.2f} dBi on the axis")
    return 0


if __name__ == "__main__":
    sys.exit(main())
