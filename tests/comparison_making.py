"""Tables of runs with a known truth, for the comparison's tests."""

import numpy as np
import pandas as pd

from extractor.comparison import Comparison, RunTable, compare_table, prepare

#: Means planted in the invented demonstration session, Mbit/s: antenna, mounting, port, order.
PLANTED = [
    *[("Slab", "m1", "Upper", 3, 38.85), ("Slab", "m1", "Lower", 4, 38.55)],
    *[("Slab", "m2", "Upper", 16, 37.90), ("Slab", "m2", "Lower", 15, 38.30)],
    *[("Coil", "m1", "Upper", 8, 31.65), ("Coil", "m1", "Lower", 7, 32.15)],
    *[("Coil", "m2", "Upper", 9, 30.75), ("Coil", "m2", "Lower", 10, 30.45)],
    *[("Fan", "m1", "Upper", 1, 30.95), ("Fan", "m1", "Lower", 2, 30.70)],
    *[("Fan", "m2", "Upper", 14, 31.85), ("Fan", "m2", "Lower", 13, 32.30)],
    *[("Stub", "m1", "Upper", 6, 26.35), ("Stub", "m1", "Lower", 5, 26.00)],
    *[("Stub", "m2", "Upper", 11, 24.60), ("Stub", "m2", "Lower", 12, 24.75)],
]


def scenario(port_effect: float = 0.0) -> pd.DataFrame:
    """The demonstration session as its truth says it; a port effect is added on Upper."""
    rows = [
        {
            "session": "club",
            "run": f"{antenna}_{mounting}_{port}".lower(),
            "antenna": antenna,
            "mounting": mounting,
            "port": port,
            "order": order,
            "value": mean + port_effect * (port == "Upper"),
            "ceiling_share": 0.3 if mean > 38.5 else 0.05 if antenna == "Slab" else 0.0,
        }
        for antenna, mounting, port, order, mean in PLANTED
    ]
    return pd.DataFrame(rows)


def five_by_hand() -> pd.DataFrame:
    """Five antennas, one mounting each, a clip on each of two ports, no mounting column."""
    levels = {"Ant1": 31.2, "Ant2": 30.4, "Ant3": 30.1, "Ant4": 27.9, "Ant5": 22.0}
    wiggle = iter([0.3, -0.2, 0.1, 0.4, -0.3, 0.2, -0.1, 0.0, 0.2, -0.4])
    return pd.DataFrame(
        {"antenna": name, "port": port, "value": level + next(wiggle)}
        for name, level in levels.items()
        for port in ("Left", "Right")
    )


def simulated(
    levels: dict[str, float],
    mountings: int = 2,
    ports: tuple[str, ...] = ("Upper", "Lower"),
    *,
    spread: float = 0.5,
    clip: float = 0.3,
    session: str = "one",
    seed: int = 0,
) -> pd.DataFrame:
    """A balanced session with random mountings and clips, taken in random order."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, level in levels.items():
        for mounting in range(mountings):
            put_up = rng.normal(0, spread)
            for port in ports:
                rows.append(
                    {
                        "session": session,
                        "run": f"{session}-{name}-{mounting}-{port}",
                        "antenna": name,
                        "mounting": str(mounting + 1),
                        "port": port,
                        "value": level + put_up + rng.normal(0, clip),
                    }
                )
    table = pd.DataFrame(rows)
    table["order"] = rng.permutation(len(table)) + 1
    return table


def compared(rows: pd.DataFrame, **options: object) -> Comparison:
    """Compare a hand-made table of bitrates."""
    better = options.pop("better", "higher")
    factor = str(options.pop("factor", "antenna"))
    runs, skipped = prepare(rows, factor)
    table = RunTable(runs, "bitrate", "mean", "Mbit/s", better, factor, skipped)
    return compare_table(table, **options)  # type: ignore[arg-type]


def finding(comparison: Comparison, kind: str):
    """The only finding of a kind."""
    (found,) = [f for f in comparison.findings if f.kind == kind]
    return found


def kinds(comparison: Comparison) -> list[str]:
    return [f.kind for f in comparison.findings]
