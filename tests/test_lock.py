"""What an installation is made of: every package at one version, and no file without its hash."""

import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
LOCK = (ROOT / ".ci" / "requirements.lock").read_text(encoding="utf-8")


def pinned() -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for name, version in re.findall(r"^([\w.-]+)==([^ ;\\]+)", LOCK, re.MULTILINE):
        found.setdefault(canonicalize_name(name), set()).add(version)
    return found


def test_every_dependency_is_pinned_as_pyproject_allows() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    needs = [*project["project"]["dependencies"], *project["build-system"]["requires"]]
    for need in map(Requirement, needs):
        versions = pinned().get(canonicalize_name(need.name), set())
        assert versions, f"{need.name} is not pinned: bash .ci/run lock"
        assert all(need.specifier.contains(one) for one in versions), need.name


def test_everything_has_hashes_and_comes_from_nowhere_else() -> None:
    entries = re.split(r"\n(?=\S)", LOCK.strip())
    assert len(entries) > 40
    for entry in entries:
        assert re.match(r"[\w.-]+==\S+", entry), entry
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", entry), entry
        assert not re.search(r"://|--index|--find-links|-e ", entry), entry


def test_the_documented_installation_asks_for_the_hashes() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "--require-hashes -r .ci/requirements.lock" in script
    assert "--no-deps --no-build-isolation" in script
