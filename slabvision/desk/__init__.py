"""The buying desk: a whole visit measured, parts wanted, which slabs to buy, the field check."""
