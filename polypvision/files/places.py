"""Where a person's own data lie unless they say otherwise."""

import os
import sys
from pathlib import Path


def default_logbook() -> Path:
    """Return where the logbook lies.

    The environment variable POLYPVISION_LOGBOOK first; else the folder where this system keeps a
    person's data (on Linux by the XDG Base Directory Specification, from memory).
    """
    chosen = os.environ.get("POLYPVISION_LOGBOOK")
    if chosen:
        return Path(chosen)
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "polypvision" / "logbook.sqlite"


def default_profiles() -> Path:
    """Return the folder of lens profiles: ``calibration``, beside the logbook."""
    return default_logbook().parent / "calibration"
