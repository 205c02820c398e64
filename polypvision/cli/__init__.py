"""The command line: thin over `polypvision.plates`; every error is told in words."""

import os
import sys

from polypvision.errors import PolypvisionError

DEBUG = "POLYPVISION_DEBUG"
"""Environment variable; if set, an unexpected error shows where in the code it arose."""

_STOPPED = 130
"""Exit status of a program stopped from the keyboard (a shell's convention)."""


def main() -> None:
    """Run the command that the terminal asks for, and exit.

    Exit status 0: done. 1: something could not be done, and why is on standard error. 2: bad
    usage.
    """
    # Loaded here so that importing the package stays cheap.
    from polypvision.cli.app import app

    try:
        app(prog_name="polypvision")
    except PolypvisionError as error:
        _say(f"Error: {error}")
        sys.exit(1)
    except SystemExit as stop:
        if stop.code == _STOPPED:
            _say("Stopped. What was recorded is kept; run the same command again to go on.")
        raise
    except BrokenPipeError:
        # Whoever read our output has closed it; nothing more may be written, even at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except Exception as error:
        if os.environ.get(DEBUG):
            raise
        _say(
            f"Error: a fault in polypvision ({type(error).__name__}: {error}). Nothing that was "
            f"recorded is lost. Please report it; with {DEBUG}=1 the command shows where it arose."
        )
        sys.exit(1)


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")
