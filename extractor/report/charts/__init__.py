"""Charts: tables and axes in, axes out; nothing is ever shown on a screen."""
