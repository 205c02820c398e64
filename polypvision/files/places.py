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
    return (
        _of_this_person("XDG_DATA_HOME", ".local/share", "Application Support") / "logbook.sqlite"
    )


def default_hashes() -> Path:
    """Return where hashes of files are remembered: a cache, which may be deleted at any time.

    The environment variable POLYPVISION_CACHE, a folder, first.
    """
    chosen = os.environ.get("POLYPVISION_CACHE")
    folder = Path(chosen) if chosen else _of_this_person("XDG_CACHE_HOME", ".cache", "Caches")
    return folder / "hashes.sqlite"


def _of_this_person(variable: str, usual: str, on_mac: str) -> Path:
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / on_mac
    else:
        base = Path(os.environ.get(variable) or Path.home() / usual)
    return base / "polypvision"


def default_profiles() -> Path:
    """Return the folder of lens profiles: ``calibration``, beside the logbook."""
    return default_logbook().parent / "calibration"
