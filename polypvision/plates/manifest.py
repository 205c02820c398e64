"""What is in a backup: every file with its size and hash, and what it was called."""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from polypvision.errors import BackupError
from polypvision.files.copies import file_hash
from polypvision.files.outputs import json_text

NAME = "manifest.json"
LOGBOOK = "logbook.sqlite"
PROFILES = "calibration"
PHOTOS = "photos"
"""Beside the backups, for all of them together."""
_KIND = "backup of polypvision"
_FORMAT = 1


@dataclass(frozen=True, kw_only=True)
class KeptFile:
    """One file of a backup.

    Attributes
    ----------
    path : str
        Under the backup's folder, or for photos under the folder of all backups, with slashes.
    n_bytes : int
    sha256 : str
    names : tuple of str
        Of a photo: every path under which it was met, oldest first.
    """

    path: str
    n_bytes: int
    sha256: str
    names: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Manifest:
    """What a backup holds.

    Attributes
    ----------
    number : int
        Counts the backups of a folder: the clock may be set back between them.
    made_at : datetime
    program : str
        Version that made it.
    step : str
        Of the logbook's schema.
    files : tuple of KeptFile
        The logbook and the lens profiles.
    with_photos : bool
        Whether photos were to be kept, too.
    photos : tuple of KeptFile
    missing : tuple of str
        Photos that were not found then, by their last names.
    """

    number: int
    made_at: datetime
    program: str
    step: str
    files: tuple[KeptFile, ...]
    with_photos: bool
    photos: tuple[KeptFile, ...] = ()
    missing: tuple[str, ...] = ()


def manifest_text(manifest: Manifest) -> str:
    """Return a manifest as JSON that carries its own hash."""
    body = {"kind": _KIND, "format": _FORMAT, **asdict(manifest)}
    body["made_at"] = manifest.made_at.isoformat()
    return json_text({**body, "sha256": _mark(body)})


def _mark(body: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()


def read_manifest(backup: Path) -> Manifest:
    """Return what a backup holds.

    Raises
    ------
    BackupError
        If the folder is no backup, one of a newer polypvision, or its manifest is damaged.
    """
    path = backup / NAME
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
        mark = body.pop("sha256")
        if body["kind"] != _KIND:
            raise ValueError("it is of another kind")
        if body.pop("format") > _FORMAT:
            raise BackupError(
                f"The backup {backup} was made by a newer polypvision. Update polypvision first."
            )
        if mark != _mark({**body, "format": _FORMAT}):
            raise ValueError("it is not as it was written")
        del body["kind"]
        for name in ("files", "photos"):
            body[name] = tuple(_file(one) for one in body[name])
        body["made_at"] = datetime.fromisoformat(body["made_at"])
        return Manifest(**{**body, "missing": tuple(body["missing"])})
    except FileNotFoundError as error:
        raise BackupError(
            f"{backup} is no backup: it has no {NAME}. Give the folder that polypvision backup "
            "named."
        ) from error
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise BackupError(
            f"The backup {backup} cannot be used: its {NAME} is damaged ({error}). Take another "
            "backup."
        ) from error


def _file(values: dict[str, Any]) -> KeptFile:
    file = KeptFile(**{**values, "names": tuple(values["names"])})
    parts = PurePosixPath(file.path)
    if parts.is_absolute() or ".." in parts.parts:
        raise ValueError(f"{file.path} leads out of it")
    return file


def placed_files(backup: Path, manifest: Manifest) -> Iterator[tuple[KeptFile, Path]]:
    """Yield every file of a backup with where it lies."""
    for file in manifest.files:
        yield file, backup / file.path
    for file in manifest.photos:
        yield file, backup.parent / file.path


def damage(file: KeptFile, path: Path) -> str:
    """Return what is wrong with a kept file, in a few words; nothing if it is as it was written."""
    try:
        if file_hash(path) != file.sha256:
            return "its bytes are not those that were written"
    except FileNotFoundError:
        return "it is missing"
    except OSError as error:
        return f"it cannot be read ({error.strerror})"
    return ""
