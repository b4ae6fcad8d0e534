"""Which antenna is better, and whether that is real.

Takes clip summaries and runs, and knows nothing of video or of the series inside a clip.
"""

from extractor.comparison.compare import Comparison, compare_table
from extractor.comparison.findings import Finding, Quantity, to_json, to_text
from extractor.comparison.loading import MEASURES, RunTable, load_sessions, prepare
from extractor.comparison.pairs import Ordering

__all__ = [
    "MEASURES",
    "Comparison",
    "Finding",
    "Ordering",
    "Quantity",
    "RunTable",
    "compare_table",
    "load_sessions",
    "prepare",
    "to_json",
    "to_text",
]
