"""Disturbances of a session and what must stand afterwards; see ``kills.py``."""
