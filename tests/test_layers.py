"""Imports point only to rooms above, in the order in which a photo passes through the house."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import polypvision

PACKAGE = Path(polypvision.__file__).parent
ROOMS = (
    # The vocabulary.
    "errors", "words", "threads", "memory", "spread", "beside", "flags", "columns", "events",
    "reading", "forecasts",
    # The stages.
    "card", "calibrate", "segment", "mouths", "measure", "corrections", "track", "healing",
    "growth", "outcomes", "plan", "today", "reports", "pipeline",
    # The workshop.
    "render", "train", "evaluate",
    # The outside world.
    "files", "store", "plates", "batch", "web", "cli",
)  # fmt: skip
MODULES = sorted(PACKAGE.rglob("*.py"))
NO_FILES = ROOMS[: ROOMS.index("files")]
"""Rooms that know neither files, nor the database, nor the terminal."""
OUTSIDE = {
    "sqlalchemy", "alembic", "typer", "rich", "pillow_heif", "pyarrow", "subprocess", "starlette",
    "uvicorn", "segno", "fsspec", "distributed",
}  # fmt: skip


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported(path: Path) -> Iterator[str]:
    """Every module a file imports, wherever in it, as a dotted name."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} imports by dots; name the room in full"
            module = node.module or ""
            yield module
            if module == "polypvision":
                yield from (f"polypvision.{alias.name}" for alias in node.names)


def test_every_room_has_its_place() -> None:
    assert {room_of(path) for path in MODULES} - {"__init__", "__main__"} <= set(ROOMS)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_upwards(path: Path) -> None:
    room = room_of(path)
    if room in ("__init__", "__main__"):
        return
    for name in imported(path):
        package, _, rest = name.partition(".")
        other = rest.partition(".")[0]
        if package == "polypvision" and other in ROOMS:
            assert ROOMS.index(other) <= ROOMS.index(room), f"{path} imports {name} from below"
        if room in NO_FILES:
            assert package not in OUTSIDE, f"{path} imports {name}, which is of the outside world"
