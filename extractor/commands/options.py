"""Options and arguments: what ``options.toml`` says of them, and what the commands share."""

from __future__ import annotations

import functools
import inspect
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, get_origin

import typer

#: Options that say something of a field, as its attribute of the same name.
FIELD_OPTIONS = ("unit", "decimals", "minimum", "maximum", "ceiling", "low", "better")
Better = Literal["higher", "lower"]

SessionFolder = Path
SessionOrPack = Path
SessionsOrPacks = list[Path]
Clips = list[str] | None
Field = str | None
Measure = str | None
Reference = str | None
Factor = str
Confidence = float
Pool = bool
EqualWithin = float | None


@functools.cache
def _written() -> dict[str, dict[str, Any]]:
    return tomllib.loads(Path(__file__).with_suffix(".toml").read_text("utf-8"))


def described(command: str, parameter: inspect.Parameter) -> inspect.Parameter:
    """Return a parameter of a command as Typer takes it, with what ``options.toml`` says of it."""
    kind, name = parameter.annotation, parameter.name
    if get_origin(kind) is Annotated:
        return parameter
    said = _written().get(command, {}).get(name) or _written()["every"][name]
    told = {"help": said} if isinstance(said, str) else dict(said)
    # A switch is only ever given, never taken back.
    names = (
        [told.pop("name", f"--{name.replace('_', '-')}")] if "name" in told or kind is bool else []
    )
    make = typer.Argument if told.pop("argument", False) else typer.Option
    return parameter.replace(annotation=Annotated[kind, make(*names, **told)])
