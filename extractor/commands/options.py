"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

#: Options that say something of a field, as its attribute of the same name.
FIELD_OPTIONS = ("unit", "decimals", "minimum", "maximum", "ceiling", "low", "better")
Better = Literal["higher", "lower"]
SessionFolder = Annotated[
    Path, typer.Argument(metavar="SESSION", help="The folder that holds the clips.")
]
Quiet = Annotated[bool, typer.Option("--quiet", help="Print results, warnings and errors only.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show where in the program an error arose.")]
ReaderName = Annotated[
    str, typer.Option(help="What reads the numbers: network (built in) or tesseract.")
]
Jobs = Annotated[
    int, typer.Option(min=0, help="Clips read at the same time; 0: one for each core.")
]
Clips = Annotated[
    list[str] | None,
    typer.Option(metavar="NAME", help="Only this clip, path in the session; may be repeated."),
]
SessionOrPack = Annotated[
    Path, typer.Argument(metavar="SESSION", help="A session folder, or a file of extractor pack.")
]
SessionsOrPacks = Annotated[
    list[Path],
    typer.Argument(
        metavar="SESSION...",
        help="Session folders, or files of extractor pack.",
        show_default=False,
    ),
]
Field = Annotated[
    str | None, typer.Option(help="Field to rank by.", show_default="the primary one")
]
Measure = Annotated[
    str | None,
    typer.Option(
        help="What stands for a run: mean, mean_with_outages (an outage counts as zero), "
        "median, p25, p05 or availability (in %).",
        show_default="mean; median or p25 where the ceiling cuts clips",
    ),
]
Factor = Annotated[str, typer.Option(help="Column of runs.csv whose levels are compared.")]
Reference = Annotated[
    str | None,
    typer.Option(help="Compare every antenna with this one alone.", show_default="all pairs"),
]
Confidence = Annotated[
    float, typer.Option(help="Of all statements about pairs together, 0.5 to 0.999.")
]
Pool = Annotated[
    bool,
    typer.Option("--pool", help="Pool runs that differ in rate mode, power, channel or width."),
]

EqualWithin = Annotated[
    float | None,
    typer.Option(
        help="Difference, in the field's unit, up to which two antennas count as equal.",
        show_default="nothing is called equal",
    ),
]
Insist = Annotated[
    bool,
    typer.Option("--insist", help="Do it even where readings get worse; else that is refused."),
]
Decimals = Annotated[int | None, typer.Option(min=0, max=6, help="Digits after the point.")]
Minimum = Annotated[float | None, typer.Option(help="Below it a reading is flagged, field's unit.")]
Maximum = Annotated[float | None, typer.Option(help="Above it a reading is flagged, field's unit.")]
Ceiling = Annotated[
    float | None, typer.Option(help="The link's own limit, field's unit; else looked for.")
]
Low = Annotated[
    float | None,
    typer.Option(help="Below it the link counts as out; default a tenth of the ceiling."),
]
