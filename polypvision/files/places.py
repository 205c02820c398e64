"""Where a person's own data lie unless they say otherwise."""

import os
import sys
from pathlib import Path


def default_logbook() -> Path | str:
    """Return where the logbook lies: a file, or the address of a database.

    The environment variable POLYPVISION_LOGBOOK first; else a file in `data_folder`.
    """
    chosen = os.environ.get("POLYPVISION_LOGBOOK")
    if chosen:
        # As a path an address would lose one of its slashes.
        return chosen if "://" in chosen else Path(chosen)
    return data_folder() / "logbook.sqlite"


def data_folder() -> Path:
    """Return the folder where this system keeps a person's data of this program (on Linux by the
    XDG Base Directory Specification, from memory)."""
    return _of_this_person("XDG_DATA_HOME", ".local/share", "Application Support")


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
    """Return the folder of lens profiles: ``calibration``, beside the logbook, or in the person's
    data folder where the logbook lies on a server."""
    logbook = default_logbook()
    return (logbook.parent if isinstance(logbook, Path) else data_folder()) / "calibration"
