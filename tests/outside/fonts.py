"""Font files by family, and the font size that gives a wanted digit height."""

from __future__ import annotations

import logging
import subprocess
from dataclasses import dataclass
from functools import cache
from pathlib import Path


@dataclass(frozen=True, slots=True)
class FontFile:
    """One font on this machine, with the three heights of its design (font units)."""

    family: str
    path: Path
    units_per_em: int
    line: int
    """usWinAscent + usWinDescent: what libass scales to the font size."""
    zero: int
    """Height of the digit 0."""

    def libass_size(self, digit_px: float) -> float:
        """Return the ASS font size whose digit 0 is `digit_px` pixels high."""
        return digit_px * self.line / self.zero

    def drawtext_size(self, digit_px: float) -> float:
        """Return the drawtext font size whose digit 0 is `digit_px` pixels high."""
        return digit_px * self.units_per_em / self.zero


@cache
def find_font(family: str, bold: bool = False) -> FontFile | None:
    """Return the font that fontconfig has for `family`, or None where it would substitute one."""
    from fontTools.pens.boundsPen import BoundsPen
    from fontTools.ttLib import TTFont

    # Some fonts have odd glyphs that it complains of on stderr.
    logging.getLogger("fontTools").setLevel(logging.ERROR)
    pattern = f"{family}:bold" if bold else family
    answer = subprocess.run(
        ["fc-match", "-f", "%{family}\n%{file}\n%{index}", pattern],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split("\n")
    if family.casefold() not in answer[0].casefold().split(","):
        return None
    with TTFont(answer[1], fontNumber=int(answer[2]) & 0xFFFF) as font:
        glyphs = font.getGlyphSet()
        pen = BoundsPen(glyphs)
        glyphs[font.getBestCmap()[ord("0")]].draw(pen)
        os2 = font["OS/2"]
        return FontFile(
            family,
            Path(answer[1]),
            font["head"].unitsPerEm,
            os2.usWinAscent + os2.usWinDescent,
            round(pen.bounds[3] - pen.bounds[1]),
        )
