"""Readers: crop in, text and confidence out."""
