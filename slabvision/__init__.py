"""From photos of live-edge slabs to clear area, in real units, with an honest interval."""

__version__ = "0.1.0"
