"""Reads numbers out of recorded video-link overlays and compares antennas."""

__version__ = "0.2.0"
