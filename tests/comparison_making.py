"""Tables of runs with a known truth, for the comparison's tests."""

from dataclasses import replace

import numpy as np
import pandas as pd

from extractor.comparison.compare import Comparison, compare_table
from extractor.comparison.loading import RunTable, prepare
from extractor.comparison.model import estimate, lay_out

#: Means planted in the invented demonstration session, Mbit/s: antenna, mounting, port, order.
PLANTED = [
    *[("Slab", "m1", "Red", 3, 38.35), ("Slab", "m1", "Green", 4, 38.80)],
    *[("Slab", "m2", "Red", 10, 37.25), ("Slab", "m2", "Green", 9, 38.40)],
    *[("Coil", "m1", "Red", 8, 30.10), ("Coil", "m1", "Green", 7, 31.30)],
    *[("Coil", "m2", "Red", 13, 31.75), ("Coil", "m2", "Green", 14, 32.25)],
    *[("Fan", "m1", "Red", 5, 31.90), ("Fan", "m1", "Green", 6, 32.35)],
    *[("Fan", "m2", "Red", 12, 30.35), ("Fan", "m2", "Green", 11, 31.40)],
    *[("Stub", "m1", "Red", 2, 25.90), ("Stub", "m1", "Green", 1, 26.50)],
    *[("Stub", "m2", "Red", 15, 24.30), ("Stub", "m2", "Green", 16, 25.30)],
]
#: What Green reads more than Red in them, Mbit/s.
PLANTED_PORT_EFFECT = 0.8


def scenario(port_effect: float = PLANTED_PORT_EFFECT) -> pd.DataFrame:
    """The demonstration session as its truth says it, Green reading `port_effect` more."""
    rows = [
        {
            "session": "club",
            "run": f"{antenna}_{mounting}_{port}".lower(),
            "antenna": antenna,
            "mounting": mounting,
            "port": port,
            "order": order,
            "value": mean + (port_effect - PLANTED_PORT_EFFECT) * (port == "Green"),
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
    ports: tuple[str, ...] = ("Red", "Green"),
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
    own = {name: options.pop(name) for name in ("looks", "free") if name in options}
    table = RunTable(runs, "bitrate", "mean", "Mbit/s", better, factor, skipped, **own)
    return compare_table(table, **options)  # type: ignore[arg-type]


def finding(comparison: Comparison, kind: str):
    """The only finding of a kind."""
    (found,) = [f for f in comparison.findings if f.kind == kind]
    return found


def kinds(comparison: Comparison) -> list[str]:
    return [f.kind for f in comparison.findings]


def grouped(groups) -> pd.DataFrame:
    return pd.DataFrame(
        {"session": "s", "antenna": str(i + 1), "mounting": str(j), "value": value}
        for i, group in enumerate(groups)
        for j, value in enumerate(group)
    )


def fitted(table: pd.DataFrame):
    return estimate(lay_out(table), table["value"].to_numpy(float))


def pooled(fit):
    """The fit with one spread for all antennas, as published analyses take it."""
    shape = fit.variances.shape
    return replace(
        fit,
        variances=np.broadcast_to(fit.ms_between, shape),
        df_variances=np.full(shape, 1e12),  # the cap at those between mountings then rules
        own_noise=np.full(shape, fit.layout.mean_noise),
    )
