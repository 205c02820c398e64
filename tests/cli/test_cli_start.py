import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from run_command import Run

from polypvision import __version__

COMMANDS = (
    "card",
    "lens",
    "read",
    "plates",
    "track",
    "log",
    "report",
    "export",
    "render",
    "evaluate",
)
HEAVY = ("cv2", "pandas", "matplotlib", "sqlalchemy", "scipy", "skimage", "PIL", "onnxruntime")


def test_help_names_every_command_in_the_order_of_the_work(run: Run) -> None:
    done = run("--help")
    assert done.status == 0
    places = [done.out.index(f"│ {command} ") for command in COMMANDS if command != "log"]
    assert places == sorted(places)
    assert "│ log " in done.out


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(run: Run, command: str) -> None:
    done = run(command, "--help")
    assert done.status == 0
    assert "Usage: polypvision" in done.out


@pytest.mark.parametrize("words", [["--help"], ["read", "--help"], ["--version"]])
def test_help_comes_without_loading_what_it_does_not_need(words: list[str]) -> None:
    program = (
        "import sys\n"
        "from polypvision.cli import main\n"
        f"sys.argv = ['polypvision', *{words!r}]\n"
        "try:\n"
        "    main()\n"
        "except SystemExit:\n"
        "    pass\n"
        f"print('LOADED', *[name for name in {HEAVY!r} if name in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "LOADED"


def test_a_photo_is_read_without_loading_tables_charts_or_a_database(tmp_path: Path) -> None:
    photo = tmp_path / "2031-03-04.png"
    Image.fromarray(np.full((120, 160, 3), 128, np.uint8)).save(photo)
    program = (
        "import sys\n"
        "from polypvision.cli import main\n"
        f"sys.argv = ['polypvision', 'read', {str(photo)!r}, '--mm-per-px', '0.5']\n"
        "try:\n"
        "    main()\n"
        "except SystemExit:\n"
        "    pass\n"
        "heavy = ('pandas', 'matplotlib', 'sqlalchemy', 'alembic', 'pyarrow', 'scipy.optimize',\n"
        "    'skimage.feature', 'pillow_heif')\n"
        "print('LOADED', *[name for name in heavy if name in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert "1 photo: 1 read." in done.stdout
    assert done.stdout.splitlines()[-1] == "LOADED"


def test_the_package_runs_as_a_module() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "polypvision", "--version"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == f"polypvision {__version__}\n"


def test_bad_usage(run: Run) -> None:
    for words in ((), ("nonsense",), ("read",), ("read", "--no-such-option", "a.jpg")):
        assert run(*words).status == 2


def test_a_fault_of_ours_is_told_without_a_page_of_code(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr("polypvision.store.logbook.open_logbook", broken)
    done = run("plates")
    assert done.status == 1
    assert "a fault in polypvision (ZeroDivisionError: by zero)" in done.err
    assert "Traceback" not in done.err
    monkeypatch.setenv("POLYPVISION_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        run("plates")


def test_stopping_from_the_keyboard(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("polypvision.store.logbook.open_logbook", stopped)
    done = run("plates")
    assert done.status == 130
    assert "run the same command again" in done.err
