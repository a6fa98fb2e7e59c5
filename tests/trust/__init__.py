"""Hostile input, lost power, other installations: what people will do to the program."""
