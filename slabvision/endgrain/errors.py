"""What is said when an end cannot be read."""

from __future__ import annotations

__all__ = ["NotReadable"]


class NotReadable(ValueError):
    """The picture is not end grain that can be read.

    Attributes
    ----------
    reason : str
        What is wrong with it.
    what_to_do : str
        What the person at the slab can do about it.
    """

    def __init__(self, reason: str, what_to_do: str) -> None:
        super().__init__(f"{reason}. {what_to_do}")
        self.reason = reason
        self.what_to_do = what_to_do
