"""Packs: a session without its clips in one file, to make report and comparison again from.

A pack is a ZIP archive. ``pack.json`` says what it is and lists the clips with their digests;
under ``session/`` lies the session folder: the user's own tables, readings, results, and crops of
doubtful readings. Opening one trusts nothing: members with absolute or ``..`` paths, links,
encrypted members, kinds of file that no pack holds and archives that blow up are refused.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from extractor import __version__
from extractor.errors import ClipError, ExtractorError, SessionFileError, StorageError, UsageError
from extractor.reading import cache
from extractor.reading.cache import state_path
from extractor.results import Results, load
from extractor.review import pictures
from extractor.review.checked import waiting
from extractor.session.atomic import read_json, replacing
from extractor.session.csv_tables import format_table
from extractor.session.folder import RESULTS, VIDEO_SUFFIXES, Session, spelled
from extractor.session.recordings import PACK_MANIFEST, content_digest
from extractor.tabulation import doubted_digits

PACK_VERSION = 1
MANIFEST = "pack.json"
_PREFIX = "session/"
#: Crops kept, over all clips.
CROPS = 48
_SUFFIXES = frozenset({".csv", ".toml", ".json", ".png", ".npz"})
_MOST_MEMBERS = 20_000
_MOST_BYTES = 2 << 30
_LARGEST_TABLE_BYTES = 64 << 20
#: Bytes of one part of an entry's name, and of all: what disks take, the folder in front left out.
_LONGEST_PART, _LONGEST_NAME = 255, 1000
_BLOCK = 1 << 20
_DAMAGE = (zipfile.BadZipFile, zlib.error, EOFError)

Progress = Callable[[str, float], None]


def pack(session: Session, out: Path | None = None, progress: Progress | None = None) -> Path:
    """Write a pack of a session.

    Parameters
    ----------
    session : Session
        Its clips must have been read.
    out : Path, optional
        The file; ``results/NAME.zip`` by default.
    progress : callable, optional
        Is told the clip and the share of all clips' bytes digested so far, 0 to 1.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    UsageError
        If nothing was read yet.
    StorageError
        If it cannot be written.
    """
    results = load(session.root)
    path = out or session.results / f"{results.name}.zip"
    doubts = pictures.with_pictures(results, waiting(results)[:CROPS])
    manifest = _manifest(results, progress or (lambda clip, share: None))
    with replacing(path) as stream, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(MANIFEST, json.dumps(manifest, indent=1))
        for source in _members(session, path):
            name = str(_safe(path, spelled(source.relative_to(session.root))))
            archive.writestr(_PREFIX + name, source.read_bytes())
        table = format_table(pictures.COLUMNS, pictures.as_rows(doubts))
        archive.writestr(f"{_PREFIX}{RESULTS}/{pictures.TABLE}", table)
        for i, doubt in enumerate(doubts):
            if doubt.picture:
                name = f"{_PREFIX}{RESULTS}/{pictures.FOLDER}/{i:03d}.png"
                archive.writestr(name, doubt.picture)
    return path


def _members(session: Session, out: Path) -> list[Path]:
    """Return the user's own tables and the tool's, not the pictures made of them."""
    own = [
        p
        for p in sorted(session.root.iterdir())
        if p.is_file()
        and not p.is_symlink()
        and not p.name.startswith(".")
        and p.suffix.lower() in (".csv", ".toml")
        and p.stat().st_size <= _LARGEST_TABLE_BYTES
    ]
    glyphs = [session.glyphs_path] if session.glyphs_path.is_file() else []
    tables = [p for p in sorted(session.results.glob("*.csv")) if p.name != pictures.TABLE]
    names = ("findings.json", doubted_digits.FILE)
    findings = [p for name in names if (p := session.results / name).is_file()]
    readings = sorted(session.readings_folder.glob("*.csv"))
    return [p for p in [*own, *glyphs, *tables, *findings, *readings] if p != out]


def _manifest(results: Results, progress: Progress) -> dict[str, Any]:
    session = results.session
    paths = {c: session.path(c) for c in session.measured}
    sizes = {c: path.stat().st_size if path.exists() else 0 for c, path in paths.items()}
    total, done = max(1, sum(sizes.values())), 0
    clips = []
    for clip in paths:
        digest = hashlib.sha256()
        try:
            with paths[clip].open("rb") as stream:
                while block := stream.read(_BLOCK):
                    digest.update(block)
                    done += len(block)
                    progress(clip, done / total)
        except OSError as error:
            raise ClipError(f"{clip}: cannot be read ({error.strerror})") from error
        entry = {"clip": clip, "bytes": sizes[clip], "sha256": digest.hexdigest()}
        entry["content_digest"] = content_digest(paths[clip])
        clips.append(entry | reading_settings(session, clip))
    return {
        "kind": "extractor pack",
        "version": PACK_VERSION,
        "made_by": f"extractor {__version__}",
        "made_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "session": results.name,
        "clips": clips,
    }


def reading_settings(session: Session, clip: str) -> dict[str, Any]:
    """Return how a clip was read, as far as that is remembered."""
    known = cache.load(state_path(session, clip))
    if known is None:
        return {}
    names = ("reader", "gate", "frame", "boxes", "duration_s", "decoded", "undecodable", "complete")
    return {name: getattr(known, name) for name in names} | {"state_digest": known.clip_digest}


def is_pack(path: Path) -> bool:
    """Tell whether a path is a ZIP archive, or the beginning of one (half a download)."""
    if not path.is_file():
        return False
    with path.open("rb") as stream:
        return stream.read(4) == b"PK\x03\x04" or zipfile.is_zipfile(path)


@contextmanager
def opened(path: Path) -> Iterator[Path]:
    """Give a session folder for a path: the folder itself, or a pack unpacked for the while.

    Any other file (a hand-made table) is given as it is. A clip of a pack is there as a file of
    no length, so that names stay what they were; it cannot be read again.

    Raises
    ------
    UsageError
        If nothing is there.
    SessionFileError
        If it is an archive, but no pack, or one that would write outside its folder.
    """
    if not path.exists():
        raise UsageError(f"{path}: not there; give a session folder, a pack or a CSV table")
    if not is_pack(path):
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="extractor-") as temporary:
        folder = _unpack(path, Path(temporary))
        try:
            yield folder
        except ExtractorError as error:
            raise type(error)(_named_by_pack(str(error), folder, path)) from error


def _named_by_pack(message: str, folder: Path, path: Path) -> str:
    """Return a message with the pack and its entry in the place of the temporary folder."""
    return message.replace(f"{folder}{os.sep}", f"{path}: ").replace(str(folder), str(path))


@contextmanager
def opened_all(paths: Sequence[Path]) -> Iterator[list[Path]]:
    """Open several sessions or packs; see `opened`."""
    with ExitStack() as stack:
        yield [stack.enter_context(opened(p)) for p in paths]


def manifest_of(folder: Path) -> dict[str, Any]:
    """Return the manifest of an opened pack, empty for a session folder."""
    return read_json(folder / PACK_MANIFEST)


def _unpack(path: Path, temporary: Path) -> Path:
    try:
        with zipfile.ZipFile(path) as archive:
            manifest = _read_manifest(path, archive)
            folder = temporary / _folder_name(str(manifest.get("session", "")))
            folder.mkdir()
            members = [m for m in archive.infolist() if not m.is_dir() and m.filename != MANIFEST]
            _check_members(path, members)
            clips = _clip_entries(path, manifest)
            _check_places(path, [*clips, *(_place(path, m.filename) for m in members)])
            left = _MOST_BYTES
            for member in members:
                left -= _extract(path, archive, member, folder, left)
            for clip in clips:
                (folder / clip).parent.mkdir(parents=True, exist_ok=True)
                (folder / clip).touch()
    except (*_DAMAGE, NotImplementedError, RuntimeError) as error:
        raise SessionFileError(f"{path}: is damaged ({error}); copy it again") from None
    except OSError as error:
        raise StorageError(f"{path}: cannot be unpacked ({error.strerror or error})") from error
    # Half of a pair of surrogates is no text: shown as a question mark.
    told = json.dumps(manifest, ensure_ascii=False).encode("utf-8", "replace")
    (folder / PACK_MANIFEST).write_bytes(told)
    return folder


def _read_manifest(path: Path, archive: zipfile.ZipFile) -> dict[str, Any]:
    try:
        with archive.open(MANIFEST) as stream:
            raw = stream.read(_LARGEST_TABLE_BYTES + 1)
        manifest = json.loads(raw) if len(raw) <= _LARGEST_TABLE_BYTES else None
    except (KeyError, ValueError, RecursionError, *_DAMAGE):
        manifest = None
    if not isinstance(manifest, dict) or manifest.get("kind") != "extractor pack":
        raise SessionFileError(
            f"{path}: is an archive, but no pack; give a session folder or a file made by "
            "extractor pack"
        )
    if manifest.get("version") != PACK_VERSION:
        raise SessionFileError(
            f"{path}: is a pack of version {manifest.get('version')}, this program reads "
            f"{PACK_VERSION}; use a newer one"
        )
    return manifest


def _folder_name(name: str) -> str:
    clean = "".join(c if c.isprintable() and c not in '/\\:*?"<>|' else "_" for c in name)[:80]
    return clean.strip(". ") or "session"


def _check_members(path: Path, members: Sequence[zipfile.ZipInfo]) -> None:
    if len(members) > _MOST_MEMBERS or sum(m.file_size for m in members) > _MOST_BYTES:
        raise SessionFileError(f"{path}: is far larger than any pack; it is not opened")
    seen: set[str] = set()
    for member in members:
        name = member.filename
        kind = member.external_attr >> 16 & 0o170000
        if kind not in (0, 0o100000) or member.flag_bits & 1 or name.casefold() in seen:
            raise _unfit(path, name, "which no pack holds")
        seen.add(name.casefold())
        _safe(path, name)
        if not name.startswith(_PREFIX) or PurePosixPath(name).suffix.lower() not in _SUFFIXES:
            raise _unfit(path, name, "which no pack holds")


def _unfit(path: Path, name: object, why: str) -> SessionFileError:
    return SessionFileError(f"{path}: holds '{name}', {why}; not opened")


def _safe(path: Path, name: str) -> PurePosixPath:
    """Return a name inside the archive as a path that stays inside.

    Raises
    ------
    SessionFileError
        If it does not.
    """
    parts = name.split("/")
    shown = name if len(name) <= 80 else f"{name[:80]}…"
    # Some systems drop dots and spaces at the end of a name, so ".. " is ".." there.
    odd = any(not p.strip(" .") for p in parts)
    if odd or "\\" in name or parts[0][1:2] == ":" or any(ord(c) < 32 for c in name):
        raise _unfit(path, shown, "which points outside its own folder")
    try:
        sizes = [len(os.fsencode(p)) for p in parts]
    except UnicodeEncodeError:
        sizes = [_LONGEST_PART + 1]
    if max(sizes) > _LONGEST_PART or sum(sizes) > _LONGEST_NAME:
        raise _unfit(path, shown, "which no disk can hold")
    return PurePosixPath(*parts)


def _place(path: Path, member: str) -> PurePosixPath:
    return _safe(path, member[len(_PREFIX) :])


def _check_places(path: Path, places: Sequence[PurePosixPath]) -> None:
    """Raise `SessionFileError` for too many files, or one that would lie below another."""
    if len(places) > _MOST_MEMBERS:
        raise SessionFileError(f"{path}: is far larger than any pack; it is not opened")
    files = {str(place).casefold() for place in places}
    for place in places:
        if any(str(above).casefold() in files for above in place.parents):
            raise _unfit(path, place, "which lies below another file")


def _extract(
    path: Path, archive: zipfile.ZipFile, member: zipfile.ZipInfo, folder: Path, left: int
) -> int:
    target = folder / _place(path, member.filename)
    target.parent.mkdir(parents=True, exist_ok=True)
    written = 0
    with archive.open(member) as source, target.open("xb") as out:
        while block := source.read(_BLOCK):
            written += len(block)
            # The size in the archive's own index may lie.
            if written > left:
                raise SessionFileError(f"{path}: is far larger than any pack; it is not opened")
            out.write(block)
    return written


def _clip_entries(path: Path, manifest: Mapping[str, Any]) -> list[PurePosixPath]:
    entries = manifest.get("clips")
    if not isinstance(entries, list):
        raise SessionFileError(f"{path}: its pack.json lists no clips; it is damaged")
    found = []
    for entry in entries:
        name = str(entry.get("clip", "")) if isinstance(entry, dict) else ""
        safe = _safe(path, name)
        if safe.suffix.lower() not in VIDEO_SUFFIXES:
            raise SessionFileError(f"{path}: its pack.json names '{name}', which is no clip")
        boxes = entry.get("boxes", {})
        lists = [entry.get("frame", []), *(boxes.values() if isinstance(boxes, dict) else [None])]
        if not all(isinstance(one, list) for one in lists):
            raise SessionFileError(
                f"{path}: its pack.json does not say how '{name}' was read; it is damaged, copy "
                "it again"
            )
        found.append(safe)
    return found
