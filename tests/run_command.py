"""Runs the command in this process, as the terminal would."""

import sys
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from polypvision.cli import main


@dataclass(frozen=True)
class Done:
    status: int
    out: str
    err: str


Run = Callable[..., Done]


def runner(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Return a function that runs ``polypvision WORDS...`` and tells how it ended."""
    monkeypatch.setenv("COLUMNS", "200")

    def run(*words: object) -> Done:
        monkeypatch.setattr(sys, "argv", ["polypvision", *map(str, words)])
        capsys.readouterr()
        status = 0
        try:
            main()
        except SystemExit as stop:
            status = int(stop.code or 0)
        told = capsys.readouterr()
        return Done(status, told.out, told.err)

    return run
