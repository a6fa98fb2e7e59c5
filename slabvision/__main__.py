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
    try:
        from slabvision.cli import app

        app()
    except ImportError as error:  # a damaged or missing dependency: what to do, not where it broke
        from slabvision.text import plain

        sys.stderr.write(f"slabvision: {plain(str(error))}\n")
        sys.exit(2)


if __name__ == "__main__":
    main()
