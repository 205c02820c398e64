"""What every command's tests need."""

from pathlib import Path

import pytest
from run_command import Run, runner


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run a command, away from the person's own logbook."""
    monkeypatch.setenv("POLYPVISION_LOGBOOK", str(tmp_path / "own.sqlite"))
    return runner(monkeypatch, capsys)
