"""Reads numbers out of recorded video-link overlays and compares antennas.

The names of `__all__` are the public API; each is loaded when it is first asked for, so that
``import extractor`` takes no time. See ``docs/notebook.md``.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from extractor.comparison.compare import compare_table as compare_table
    from extractor.comparison.run_order import plan_runs as plan_runs
    from extractor.errors import ChangedMeanwhileError as ChangedMeanwhileError
    from extractor.errors import ClipError as ClipError
    from extractor.errors import ConsentError as ConsentError
    from extractor.errors import ExtractorError as ExtractorError
    from extractor.errors import OverlayError as OverlayError
    from extractor.errors import ReaderUnavailableError as ReaderUnavailableError
    from extractor.errors import SessionBusyError as SessionBusyError
    from extractor.errors import SessionFileError as SessionFileError
    from extractor.errors import StorageError as StorageError
    from extractor.errors import TableError as TableError
    from extractor.errors import UsageError as UsageError
    from extractor.pipeline import compare_sessions as compare_sessions
    from extractor.pipeline import read_session as read_session
    from extractor.pipeline import summarise_session as summarise_session
    from extractor.radio.calibration import calibrate as calibrate
    from extractor.radio.situation import expected_differences as expected_differences
    from extractor.reading.clip_job import ReadOptions as ReadOptions
    from extractor.reading.readers import create as create_reader  # noqa: F401
    from extractor.report.card import write_card as write_card
    from extractor.report.description import describe as describe
    from extractor.report.html_report import write_report as write_report
    from extractor.results import load as load_results  # noqa: F401
    from extractor.session.folder import Session as Session
    from extractor.session.overlay import Box as Box
    from extractor.session.overlay import Field as Field
    from extractor.session.overlay import Overlay as Overlay
    from extractor.session.user_tables import Run as Run
    from extractor.statistics.cleaning import clean as clean
    from extractor.statistics.power import mountings_needed as mountings_needed
    from extractor.statistics.series import series_from_table as series_from_table
    from extractor.statistics.summary import summarise as summarise
    from extractor.tabulation.single_clip import read_clip as read_clip

__version__ = "0.2.0"

_ERRORS = (
    *("ExtractorError", "UsageError", "ConsentError", "SessionFileError", "OverlayError"),
    *("TableError", "ChangedMeanwhileError", "ReaderUnavailableError", "StorageError"),
    *("SessionBusyError", "ClipError"),
)
#: Where each public name is defined, and under which name if not its own.
_PLACES = {
    "Session": "session.folder",
    "Run": "session.user_tables",
    "Field": "session.overlay",
    "Box": "session.overlay",
    "Overlay": "session.overlay",
    "ReadOptions": "reading.clip_job",
    "read_session": "pipeline",
    "summarise_session": "pipeline",
    "read_clip": "tabulation.single_clip",
    "create_reader": "reading.readers:create",
    "series_from_table": "statistics.series",
    "clean": "statistics.cleaning",
    "summarise": "statistics.summary",
    "load_results": "results:load",
    "compare_sessions": "pipeline",
    "compare_table": "comparison.compare",
    "plan_runs": "comparison.run_order",
    "mountings_needed": "statistics.power",
    "calibrate": "radio.calibration",
    "expected_differences": "radio.situation",
    "write_report": "report.html_report",
    "write_card": "report.card",
    "describe": "report.description",
    **dict.fromkeys(_ERRORS, "errors"),
}
__all__ = list(_PLACES)

if not TYPE_CHECKING:  # to a type checker it would make every name a public one

    def __getattr__(name: str) -> object:
        """Load a public name."""
        if name not in _PLACES:
            raise AttributeError(f"module 'extractor' has no attribute '{name}'")
        module, _, own = _PLACES[name].partition(":")
        value = getattr(import_module(f"extractor.{module}"), own or name)
        globals()[name] = value
        return value


def __dir__() -> list[str]:
    """Return the public names, also those not loaded yet."""
    return sorted({*globals(), *_PLACES})
