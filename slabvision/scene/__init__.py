"""Photos of slabs whose truth is known: rendered from one solid log, for samples and tests."""
