"""Kill -9 at random moments, clips that change while they are read, folders that cannot be written.

    python tests/benchmarks/kills.py [--kills 200] [--seed 1] [--minutes 8] [--only read page ...]

Every deed is first done in peace. Then the same deed is killed again and again: half of the time
at any moment, half as soon as it begins to change a file. After each kill every file must be
what it was before or what it becomes in peace, whole and to the byte, none may be missing, and
done again the deed must come to the same end. The page is killed while edits are posted: every
edit that it answered must be in its file. Clips grow, are replaced or deleted while they are
read: read again, the session must be what it would have been in peace. A read-only folder must
give one line and stay as it is. A round that had ended before its moment does not count.

Prints counts and what went wrong; exit code 1 if anything did. POSIX only (process groups).
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from disturbing import changes, deeds, edits, readonly  # noqa: E402
from disturbing.sessions import make  # noqa: E402

KINDS = (*deeds.KINDS, "page", "changes", "readonly")
#: How often each is drawn; the read-only folder is tried once.
WEIGHTS = {"read": 4, "page": 3, "changes": 1}


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=KINDS, default=KINDS)
    parser.add_argument("--minutes", type=float, default=1e9, help="stop early after so long")
    parser.add_argument("--seconds", type=float, default=4.0, help="length of the clips")
    asked = parser.parse_args(arguments)
    chance = random.Random(asked.seed)
    counts: Counter[str] = Counter()
    faults: list[str] = []

    def blame(found: list[str]) -> None:
        for fault in found:
            print(f"FAULT {fault}", flush=True)
        faults.extend(found)

    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        calm = Path(name) / "calm"
        make(calm, asked.seconds)
        rounds = {}
        for kind in asked.only:
            folder = Path(name) / kind
            if kind == "readonly":
                blame(readonly.tried(calm, folder, counts))
            elif kind == "page":
                rounds[kind] = edits.Page(calm, folder)
            elif kind == "changes":
                rounds[kind] = changes.Changes(calm, folder)
            else:
                rounds[kind] = deeds.Killing(deeds.KINDS[kind], calm, folder)
        for kind, one in rounds.items():
            blame([f"{kind} in peace: {fault}" for fault in one.in_peace()])
        if rounds and not faults:
            kinds = list(rounds)
            weights = [WEIGHTS.get(kind, 1) for kind in kinds]
            done = 0
            while done < asked.kills and time.monotonic() - began_s < 60 * asked.minutes:
                # Each kind at least once, whatever chance says.
                (kind,) = kinds[done : done + 1] or chance.choices(kinds, weights)
                outcome, found = rounds[kind].round(chance)
                counts[f"{kind}: {outcome}"] += 1
                done += outcome != "had ended"
                blame([f"{kind}: {fault}" for fault in found])
            if done < min(len(kinds), asked.kills):
                blame([f"{done} rounds in {asked.minutes:g} minutes say nothing; give it longer"])
            for kind, one in rounds.items():
                blame([f"{kind}, at the end: {fault}" for fault in one.at_the_end()])
    for what, count in sorted(counts.items()):
        print(f"{count:6d}  {what}")
    for kind, one in rounds.items():
        for what, count in sorted(one.counts.items()):
            print(f"{count:6d}  {kind}: {what}")
    print(f"{len(faults):6d}  faults; {time.monotonic() - began_s:.0f} s")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
