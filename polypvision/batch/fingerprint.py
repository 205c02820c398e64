"""What must be the same wherever photos are read, so that the same photo gives the same numbers."""

import hashlib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from polypvision import __version__


@dataclass(frozen=True, kw_only=True)
class Fingerprint:
    """The program's version, and a short hash of the networks' weights and levels."""

    version: str
    models: str

    def __str__(self) -> str:
        return f"{self.version} (networks {self.models})"


@cache
def fingerprint() -> Fingerprint:
    """Return what this installation reads with."""
    models = hashlib.sha256()
    folder = files("polypvision") / "models"
    for one in sorted(folder.iterdir(), key=lambda found: found.name):
        if one.name.endswith((".onnx", ".json")):
            models.update(one.name.encode() + b"\0" + one.read_bytes())
    return Fingerprint(version=__version__, models=models.hexdigest()[:12])
