"""Entry of the command line. ``--version`` is answered before anything is loaded."""

from __future__ import annotations

import sys

from slabvision import __version__

__all__ = ["main"]


def main() -> None:
    """Run the command line."""
    if sys.argv[1:] == ["--version"]:
        sys.stdout.write(f"slabvision {__version__}\n")
        return
    from slabvision.cli import app

    app()


if __name__ == "__main__":
    main()
