"""The fonts that the reader learns from, those it is judged on, and those it never sees.

Every family comes from a Debian package or from one of npm (``@fontsource/NAME``, turned into
TrueType by `webfonts`); `docs/reader.md` lists them with their licences.
Two families that share one drawing (Carlito is drawn after Lato) stand in one group, so
that nothing held out is learnt under another name.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fnmatch import fnmatch
from pathlib import Path

#: The kinds of lettering and how often a line is drawn in each.
SHARES = {
    "sans": 0.27, "display": 0.27, "mono": 0.14, "serif": 0.06, "pixel": 0.10, "segment": 0.12,
    "odd": 0.04,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Family:
    """One font family.

    Attributes
    ----------
    name : str
        The family's own name.
    package : str
        The Debian package that holds it, or that of npm, which begins with ``@``.
    kind : str
        A key of `SHARES`.
    files : tuple of str
        Patterns of file names.
    held_out : bool
        True: for validation and calibration only.
    native_px : tuple of int
        Sizes at which a pixel font is drawn without smoothing; empty for outlines.
    """

    name: str
    package: str
    kind: str
    files: tuple[str, ...]
    held_out: bool = False
    native_px: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Face:
    """One font file of a family."""

    family: Family
    path: str


def _web(kind: str, names: str, held_out: bool = False) -> list[Family]:
    return [
        Family(name.replace("-", " ").title(), f"@fontsource/{name}", kind,
               tuple(f"{name}-{weight}00.ttf" for weight in range(1, 10)), held_out)
        for name in names.split()
    ]  # fmt: skip


def _table(kind: str, rows: str, held_out: bool = False) -> list[Family]:
    families = []
    for row in rows.strip().splitlines():
        name, package, files, *rest = (cell.strip() for cell in row.split("|"))
        native = tuple(int(size) for size in rest[0].split()) if rest else ()
        families.append(Family(name, package, kind, tuple(files.split(";")), held_out, native))
    return families


CATALOGUE: tuple[Family, ...] = (
    *_table(
        "sans",
        """
        Noto Sans | fonts-noto-core | NotoSans-*;NotoSansDisplay-*
        Open Sans | fonts-open-sans | OpenSans-*
        Cabin | fonts-cabin | Cabin-*
        Clear Sans | fonts-clear-sans | ClearSans-*
        Dosis | fonts-dosis | Dosis-*
        Go | fonts-go | Go-Bold.ttf;Go-Medium.ttf;Go-Regular.ttf
        Inter | fonts-inter | Inter-*;InterDisplay-*
        Jura | fonts-jura | Jura-*
        M+ 1 | fonts-mplus | Mplus1-*;Mplus2-*
        National Park | fonts-national-park | NationalPark-Thin*;NationalPark-Reg*;NationalPark-H*
        OSP DIN | fonts-opendin | OSP-DIN*
        osifont | fonts-osifont | osifont*
        Oxygen | fonts-oxygen | Oxygen-Sans*
        Play | fonts-play | Play-*
        Quicksand | fonts-quicksand | Quicksand-*
        Roadgeek | fonts-roadgeek | RG2014*
        Sora | fonts-sora | Sora-*
        Tiresias | fonts-tiresias | tiresias_*
        Tuffy | fonts-tuffy | Tuffy*;tuffy_*
        Ubuntu Title | fonts-ubuntu-title | Ubuntu-Title*
        Nimbus Sans | fonts-urw-base35 | NimbusSans*-*.otf
        URW Gothic | fonts-urw-base35 | URWGothic-*.otf
        Free Sans | fonts-freefont-ttf | FreeSans*
        TeX Gyre Heros | fonts-texgyre | texgyreheros*
        TeX Gyre Adventor | fonts-texgyre | texgyreadventor*
        Yanone Kaffeesatz | fonts-yanone-kaffeesatz | YanoneKaffeesatz-*
        Gillius | fonts-adf-gillius | GilliusADF*
        Ikarius | fonts-adf-ikarius | IkariusADF*
        Libris | fonts-adf-libris | LibrisADF*
        Switzera | fonts-adf-switzera | SwitzeraADF*
        Universalis | fonts-adf-universalis | UniversalisADF*
        Allerta | fonts-allerta | allerta_*
        Averia Sans | fonts-averia-sans-gwf | AveriaSansGWF-*
        Beteckna | fonts-beteckna | BetecknaGS*
        Eurofurence | fonts-eurofurence | eurof55*;eurof56*;eurof75*;eurofc55*;eurofc56*;eurofc75*
        League Spartan | fonts-league-spartan | LeagueSpartan-*
        Andika | fonts-sil-andika | Andika-*
        Junction | fonts-junction | Junction*
        Routed Gothic | fonts-routed-gothic | routed-gothic*
        Millimetre | fonts-millimetre | millimetreA*
        Nanum Gothic | fonts-nanum | NanumBarunGothic*;NanumSquare*;NanumGothic.ttf;NanumGothicBold*
        Neohellenic | fonts-gfs-neohellenic | GFSNeohellenic*
        Computer Modern Sans | fonts-lmodern | lmsans*
        Biolinum | fonts-linuxlibertine | LinBiolinum_R*
        Radis Sans | fonts-radisnoir | RadisSans*
        """,
    ),
    *_table(
        "sans",
        """
        Lato | fonts-lato | Lato-*
        Carlito | fonts-crosextra-carlito | Carlito-*
        Karla | fonts-karla | Karla-*
        Cantarell | fonts-cantarell | Cantarell-*
        Bebas Neue | fonts-bebas-neue | BebasNeue-*
        Manrope | fonts-manrope | Manrope-*
        Comfortaa | fonts-comfortaa | Comfortaa-*
        B612 | fonts-b612 | B612-*
        PT Sans | fonts-paratype | PTS*;PTN*;PTC*
        """,
        held_out=True,
    ),
    *_table(
        "mono",
        """
        Noto Sans Mono | fonts-noto-mono | NotoSansMono-*
        M+ Code | fonts-mplus | MplusCode*;Mplus1Code*
        Go Mono | fonts-go | Go-Mono*
        Oxygen Mono | fonts-oxygen | OxygenMono*
        Nimbus Mono | fonts-urw-base35 | NimbusMonoPS-*.otf
        Free Mono | fonts-freefont-ttf | FreeMono*
        TeX Gyre Cursor | fonts-texgyre | texgyrecursor*
        Computer Modern Mono | fonts-lmodern | lmmono*
        Hermit | fonts-hermit | Hermit-*
        Anonymous Pro | fonts-anonymous-pro | Anonymous Pro*
        Agave | fonts-agave | agave-*
        Fira Code | fonts-firacode | FiraCode-*
        League Mono | fonts-league-mono | LeagueMono-*
        Monofur | fonts-monofur | monof5*
        Monoid | fonts-monoid | Monoid-*
        Nanum Gothic Coding | fonts-nanum | NanumGothicCoding*
        D2 Coding | fonts-naver-d2coding | D2Coding*
        OCR-A | fonts-ocr-a | OCRA*
        Compagnon | fonts-compagnon | Compagnon-*
        3270 | fonts-3270 | 3270*
        """,
    ),
    *_table(
        "mono",
        """
        PT Mono | fonts-paratype | PTM*
        mononoki | fonts-mononoki | mononoki-*
        OCR-B | fonts-ocr-b | OCRB*
        Courier Prime | fonts-courier-prime | Courier Prime*
        B612 Mono | fonts-b612 | B612Mono-*
        """,
        held_out=True,
    ),
    *_table(
        "serif",
        """
        Noto Serif | fonts-noto-core | NotoSerif-*
        Nimbus Roman | fonts-urw-base35 | NimbusRoman-*.otf
        C059 | fonts-urw-base35 | C059-*.otf
        URW Bookman | fonts-urw-base35 | URWBookman-*.otf
        Caladea | fonts-crosextra-caladea | Caladea-*
        Accanthis | fonts-adf-accanthis | AccanthisADF*
        Mekanus | fonts-adf-mekanus | MekanusADF*
        Charis | fonts-sil-charis | CharisSIL-*
        Gentium | fonts-sil-gentiumplus | Gentium*
        Vollkorn | fonts-vollkorn | Vollkorn-*
        STIX | fonts-stix | STIXGeneral-*
        Old Standard | fonts-oldstandard | OldStandard-*
        Computer Modern | fonts-lmodern | lmroman*
        Quattrocento | fonts-quattrocento | Quattrocento-*
        Libertine | fonts-linuxlibertine | LinLibertine_R.*;LinLibertine_RB.*
        """,
    ),
    *_table(
        "serif",
        """
        EB Garamond | fonts-ebgaramond | EBGaramond12-*
        PT Serif | fonts-paratype | PTF*
        """,
        held_out=True,
    ),
    *_table(
        "pixel",
        """
        Terminus | fonts-terminus-otb | terminus-* | 12 14 16 18 20 22 24 28 32
        Proggy | fonts-proggy | ProggyTiny* | 16
        Amiga | fonts-amiga | Amiga-* | 16
        C 64 | fonts-sixtyfour | C-64-* | 8
        DotGothic | fonts-dotgothic16 | DotGothic16* | 16
        GNU Unifont | fonts-unifont | unifont.otf | 16
        Creep | fonts-creep2 | creep2* | 11
        Atari Small | fonts-atarismall | AtariSmall* | 8 16
        Glass TTY | fonts-glasstty | Glass_TTY* | 20
        PC character ROMs | fonts-pc | Px_* | 8 14 16
        """,
    ),
    *_table("pixel", "Spleen | fonts-spleen | spleen-* | 12 16 24 32 64", held_out=True),
    *_table("segment", "DSEG7 Modern | fonts-dseg | DSEG7Modern-*;DSEG7ModernMini-*"),
    *_table(
        "segment",
        "DSEG14 Modern | fonts-dseg | DSEG14Modern-*;DSEG14ModernMini-*",
        held_out=True,
    ),
    *_table(
        "odd",
        """
        Comic Neue | fonts-comic-neue | ComicNeue-*
        Humor Sans | fonts-humor-sans | Humor-Sans*
        GNU Typewriter | fonts-gnutypewriter | GNUTypewriter*
        Lobster Two | fonts-lobstertwo | LobsterTwo-*
        """,
    ),
    *_web(
        "display",  # head-up, condensed, wide, thin, stencil, rounded, slab
        """
        monda tasa-orbiter righteous museomoderno changa jockey-one days-one germania-one unbounded
        syne science-gothic stack-sans-notch staatliches black-han-sans norwester rowdies
        passion-one anybody recursive fira-sans-extra-condensed encode-sans-condensed mouse-memoirs
        ubuntu-condensed asap-condensed londrina-solid lexend-zetta special-gothic-expanded-one
        dela-gothic-one bowlby-one-sc raleway poiret-one abel work-sans questrial rokkitt hepta-slab
        graduate alfa-slab-one arvo nunito fredoka m-plus-rounded-1c baloo-2 sniglet
        """,
    ),
    *_web(
        "display",
        """
        zen-dots goldman blinker black-ops-one league-gothic alumni-sans zalando-sans-expanded
        josefin-sans zilla-slab varela-round
        """,
        held_out=True,
    ),
    *_web(
        "mono",
        """
        kode-mono iosevka lekton spline-sans-mono monaspace-krypton ubuntu-mono cascadia-code
        geist-mono atkinson-hyperlegible-mono
        """,
    ),
    *_web("mono", "commit-mono victor-mono", held_out=True),
    *_web("pixel", "micro-5 tiny5 doto redaction-10"),
    *_web("pixel", "jersey-10", held_out=True),
    *_web("odd", "special-elite bangers patrick-hand balsamiq-sans"),
)

#: Never in training: what tests and evaluation clips are likely to be drawn in.
NEVER = [
    "dejavu",
    "bitstreamvera",
    "vera",
    "liberation",
    "arimo",
    "cousine",
    "tinos",
    "roboto",
    "inconsolata",
    "jetbrains",
    "hack-",
    "dseg7classic",
]

_SLANTED = ("italic", "oblique", "ital.", "-it.", "slant", "obli")


def find_faces(folders: Iterable[Path]) -> list[Face]:
    """Return every face of the catalogue that lies in `folders`, upright faces only.

    Slanted faces are kept for seven-segment fonts, where the slant is the usual form.

    Raises
    ------
    FileNotFoundError
        If a family is missing; the message names its packages.
    """
    files = sorted(
        path
        for folder in folders
        for path in folder.rglob("*")
        if path.suffix.lower() in {".ttf", ".otf", ".otb", ".ttc"}
    )
    faces: list[Face] = []
    missing: set[str] = set()
    for family in CATALOGUE:
        chosen = {
            path.name: Face(family, str(path)) for path in files if _belongs(path.name, family)
        }
        faces += chosen.values()
        if not chosen:
            missing.add(family.package)
    if missing:
        debian = sorted(package for package in missing if not package.startswith("@"))
        webfonts = sorted(missing.difference(debian))
        ways = [("on Debian: apt-get install", debian), ("npm install", webfonts)]
        raise FileNotFoundError(
            "fonts missing; "
            + "; ".join(f"{way} {' '.join(names)}" for way, names in ways if names)
        )
    return faces


def _belongs(file_name: str, family: Family) -> bool:
    lowered = file_name.lower()
    if any(lowered.startswith(name) for name in NEVER):
        return False
    if family.kind != "segment" and any(word in lowered for word in _SLANTED):
        return False
    return any(fnmatch(lowered, pattern.lower()) for pattern in family.files)
