"""Reads numbers out of recorded video-link overlays and compares antennas."""

__version__ = "0.1.0"
