"""Options and arguments: what ``options.toml`` says of them, and what the commands share."""

from __future__ import annotations

import functools
import inspect
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

#: Options that say something of a field, as its attribute of the same name.
FIELD_OPTIONS = ("unit", "decimals", "minimum", "maximum", "ceiling", "low", "better")
Better = Literal["higher", "lower"]


@functools.cache
def _written() -> dict[str, dict[str, Any]]:
    return tomllib.loads(Path(__file__).with_suffix(".toml").read_text("utf-8"))


def described(command: str, parameter: inspect.Parameter) -> inspect.Parameter:
    """Return a parameter of a command as Typer takes it, with what ``options.toml`` says of it."""
    kind, name = parameter.annotation, parameter.name
    said = _written().get(command, {}).get(name) or _written()["every"][name]
    told = {"help": said} if isinstance(said, str) else dict(said)
    if kind is bool:  # a switch is only ever given, never taken back
        told.setdefault("name", f"--{name.replace('_', '-')}")
    names = [told.pop("name")] if "name" in told else []
    make = typer.Argument if told.pop("argument", False) else typer.Option
    return parameter.replace(annotation=Annotated[kind, make(*names, **told)])
