"""The one place that imports OpenCV.

Importing the full ``opencv-python`` wheel sets environment variables that point Qt at the
wheel's own plugins and fonts, which child processes and napari would inherit. They are put back
here. A damaged installation, and two OpenCV wheels over one another, are named in plain words.
"""

from __future__ import annotations

import os
import warnings
from typing import Any

__all__ = ["cv2"]

_TOUCHED = ("QT_QPA_PLATFORM_PLUGIN_PATH", "QT_QPA_FONTDIR", "LD_LIBRARY_PATH")


_WHEELS = (
    "opencv-python",
    "opencv-python-headless",
    "opencv-contrib-python",
    "opencv-contrib-python-headless",
)
_REPAIR = (
    f"Uninstall every OpenCV wheel (pip uninstall {' '.join(_WHEELS)}), then install one: "
    "pip install opencv-python"
)


def _installed() -> list[str]:
    from importlib.metadata import PackageNotFoundError, version

    found = []
    for name in _WHEELS:
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    return found


def _import() -> Any:
    before = {key: os.environ.get(key) for key in _TOUCHED}
    try:
        import cv2 as module
    except Exception as error:  # a half-overwritten wheel raises nearly anything
        said = " ".join(str(error).split())[:200] or type(error).__name__
        raise ImportError(
            f"OpenCV cannot be loaded ({said}); installed: "
            f"{', '.join(_installed()) or 'none of its wheels'}. {_REPAIR}"
        ) from error
    finally:
        for key, value in before.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value
    wheels = _installed()
    if not hasattr(module, "imdecode") or not hasattr(module, "__version__"):
        raise ImportError(
            f"OpenCV is installed but empty; installed: {', '.join(wheels) or 'none of its wheels'}"
            f". {_REPAIR}"
        )
    if len(wheels) > 1:
        warnings.warn(
            f"several OpenCV wheels lie over one another: {', '.join(wheels)}. {_REPAIR}",
            stacklevel=2,
        )
    return module


cv2: Any = _import()
