"""Clear wood on one face: what is left, and what can be cut from it."""
