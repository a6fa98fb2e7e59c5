"""The one place that imports OpenCV.

Importing the full ``opencv-python`` wheel sets environment variables that point Qt at the
wheel's own plugins and fonts, which child processes and napari would inherit. They are put back
here. A damaged installation (two OpenCV wheels over one another) is named in plain words.
"""

from __future__ import annotations

import os
from typing import Any

__all__ = ["cv2"]

_TOUCHED = ("QT_QPA_PLATFORM_PLUGIN_PATH", "QT_QPA_FONTDIR", "LD_LIBRARY_PATH")


def _import() -> Any:
    before = {key: os.environ.get(key) for key in _TOUCHED}
    repair = (
        "Uninstall every OpenCV wheel (pip uninstall opencv-python opencv-python-headless "
        "opencv-contrib-python), then install one: pip install opencv-python"
    )
    try:
        import cv2 as module
    except ImportError as error:
        raise ImportError(f"OpenCV cannot be loaded ({error}). {repair}") from error
    finally:
        for key, value in before.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value
    if not hasattr(module, "__version__"):
        raise ImportError(f"OpenCV is installed but empty (two wheels over one another). {repair}")
    return module


cv2: Any = _import()
