"""Turns the web fonts of installed npm packages into TrueType files that can be drawn."""

from __future__ import annotations

from pathlib import Path

from extractor.reading.training.fonts import CATALOGUE


def packages() -> list[str]:
    """Return the npm packages of the catalogue."""
    return [family.package for family in CATALOGUE if family.package.startswith("@")]


def convert(node_modules: Path, destination: Path) -> int:
    """Write the lightest, the middle and the boldest upright face of each; return how many.

    Raises
    ------
    FileNotFoundError
        If a package is not there; the message names all that are missing.
    """
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]

    missing = [package for package in packages() if not (node_modules / package).is_dir()]
    if missing:
        raise FileNotFoundError("fonts missing; npm install " + " ".join(missing))
    destination.mkdir(parents=True, exist_ok=True)
    count = 0
    for package in packages():
        name = package.partition("/")[2]
        files = sorted((node_modules / package / "files").glob(f"{name}-latin-???-normal.woff2"))
        for file in {files[0], files[len(files) // 2], files[-1]}:
            font = TTFont(file)
            font.flavor = None
            font.save(destination / f"{name}-{file.name.split('-')[-2]}.ttf")
            count += 1
    return count
