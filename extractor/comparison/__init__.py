"""Which antenna is better, and whether that is real.

Takes clip summaries and runs, and knows nothing of video or of the series inside a clip.
"""
