"""Pages to print and to read on a phone: the report of a slab or a visit, and the yard sheet."""
