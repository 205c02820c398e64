"""What a form or a script sent, checked."""

import json
from datetime import datetime
from typing import Any

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


def json_sent(body: bytes) -> Any:
    """Return what was sent as JSON.

    Raises
    ------
    HTTPException
        If it is none, or nested without end.
    """
    try:
        return json.loads(body)
    except (ValueError, RecursionError) as error:
        raise HTTPException(400) from error


def whole_number(value: object, most: int) -> int:
    """Return a whole number from 0 to ``most``, sent as one or as its digits.

    Raises
    ------
    HTTPException
        If it is none.
    """
    text = str(value) if isinstance(value, (int, str)) and not isinstance(value, bool) else ""
    # Its length first: Python refuses to read numbers of thousands of digits.
    if not (text.isascii() and text.isdigit() and len(text) <= 18 and int(text) <= most):
        raise HTTPException(400)
    return int(text)


def now_here() -> datetime:
    """Return the time of the computer's clock, with its offset."""
    return datetime.now().astimezone()
