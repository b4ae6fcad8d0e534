"""Which antenna belongs on which port: what the clips say, and which port transmits too."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from extractor.comparison.findings import Finding, Voice, listed
from extractor.comparison.model import records
from extractor.session.overlay import Direction

if TYPE_CHECKING:
    from extractor.comparison.compare import Comparison

RECEIVES, TRANSMITS = "rx", "rxtx"
_HOW = (
    "Columns port and port_role (rx or rxtx) of runs.csv, and the difference between the ports. "
    "Gain on a port that transmits raises the radiated power, which local rules may forbid, and "
    "what a narrow beam misses does not hear it."
)


def port_choice(compared: Comparison) -> Iterator[Finding]:
    """Advise which antenna to hang on which port.

    Nothing is said with fewer than two ports, of anything but antennas, or where it is not known
    which way is better.
    """
    rows, better, voice = records(compared.ports), compared.better, compared.voice
    if not rows or better is None or compared.factor != "antenna":
        return
    overall, own = ([r for r in rows if bool(r["antenna"]) is one] for one in (False, True))
    roles = {r[p]: r[role] for r in overall for p, role in _SIDES}
    sends = sorted(p for p, role in roles.items() if role == TRANSMITS)
    hears = sorted(p for p, role in roles.items() if role == RECEIVES)
    best = f"the best {voice.noun}"
    if 0 < len(compared.order.may_be_best) < 3:
        best = listed(compared.order.may_be_best, "or")
    shown = [named for r in own or overall if (named := _better(r, better, voice))]
    if sends and hears:
        said = f"Hang {best} on {listed(hears, 'or')}, which only receives"
        said += "" if len(hears) == 1 else " (so each of them)"
        said += f"; {listed(sends)} also transmits: keep a low-gain {voice.noun} there."
    elif own and shown:
        said = f"Each {voice.noun} has a port of its own: {'; '.join(shown)}."
    elif shown and len(overall) == 1:
        said = f"Hang {best} on {_ends(overall[0], better)[0]}."
    else:
        said = (
            f"Which port takes which {voice.noun} makes no difference that these clips could see."
        )
    if sends and hears and shown:
        said += f" By the clips {'; '.join(shown)}."
    if "" in roles.values():
        unknown = listed(sorted(p for p, role in roles.items() if not role), "or")
        said += f" Whether {unknown} also transmits is not said: fill port_role."
    yield Finding("port_choice", said, _HOW)


_SIDES = (("port", "role"), ("against", "role_against"))


def _ends(row: dict[str, Any], better: Direction) -> tuple[str, str]:
    """Return the better port, and the other."""
    ends = row["port"], row["against"]
    return ends if (row["difference"] > 0) == (better == "higher") else ends[::-1]


def _better(row: dict[str, Any], better: Direction, voice: Voice) -> str:
    """Return ``Slab on Green (1.2 Mbit/s more)`` where that is shown, else ""."""
    if not (row["low"] > 0 or row["high"] < 0):
        return ""
    word = "more" if better == "higher" else "less"
    much, port = f"{voice.amount(abs(float(row['difference'])))} {word}", _ends(row, better)[0]
    return f"{row['antenna']} on {port} ({much})" if row["antenna"] else f"{port} reads {much}"
