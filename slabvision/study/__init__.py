"""Studies that count how often the intervals hold the truth."""
