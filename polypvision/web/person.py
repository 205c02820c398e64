"""Who sits at a device: asked once, kept in a cookie. It signs corrections, and opens nothing."""

from urllib.parse import quote, unquote

from starlette.requests import Request
from starlette.responses import Response

COOKIE = "polypvision_person"
NAME_MOST = 40
_LASTS_S = 365 * 24 * 3600


def person_of(request: Request) -> str:
    """Return the name of the person at this device; empty if nobody said it."""
    name = unquote(request.cookies.get(COOKIE, "")).strip()
    # A cookie is what the device says: it is checked like any other thing sent in.
    return name if 0 < len(name) <= NAME_MOST and name.isprintable() else ""


def remember(answer: Response, name: str) -> None:
    """Let a device keep the name of its person."""
    answer.set_cookie(
        COOKIE, quote(name, safe=""), max_age=_LASTS_S, httponly=True, samesite="strict"
    )
