"""From what was read to tables: flags, corrections, readings, the rows of the summary."""
