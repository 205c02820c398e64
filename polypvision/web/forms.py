"""What a form sent, checked."""

from datetime import datetime

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException


def field(form: FormData, name: str, longest: int) -> str:
    """Return a field's text without blanks around it; empty if it is absent.

    Raises
    ------
    HTTPException
        If it is too long, or no text.
    """
    value = form.get(name, "")
    if not isinstance(value, str) or len(value) > longest:
        raise HTTPException(400, f"Too much was filled in: at most {longest} characters.")
    # What is stored is shown, printed and exported: no invisible control characters.
    return "".join(c for c in value if c.isprintable() or c in "\n\t").strip()


def now_here() -> datetime:
    """Return the time of the computer's clock, with its offset."""
    return datetime.now().astimezone()
