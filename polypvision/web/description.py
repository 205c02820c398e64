"""What scripts of the pages ask and are answered in JSON, described as OpenAPI 3.1 (from memory).

Served to the desk; `tests/web/test_description.py` holds it and the routes together, and sends what
it allows and what it does not.
"""

from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse

from polypvision import __version__
from polypvision.corrections.wishes import KEYS
from polypvision.web.correcting import MOST_AT_ONCE
from polypvision.web.uploads import MAX_UPLOAD_BYTES

Schema = dict[str, Any]


def _object(needed: Schema, more: Schema | None = None, *, open_to_more: bool = False) -> Schema:
    """Return an object with keys that it needs and keys that it may have."""
    return {
        "type": "object",
        "properties": needed | (more or {}),
        "required": list(needed),
        "additionalProperties": open_to_more,
    }


def _list(of: Schema, **more: Any) -> Schema:
    return {"type": "array", "items": of, **more}


TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "number"}
WHOLE: Schema = {"type": "integer"}
FLAG: Schema = {"type": "boolean"}
HASH: Schema = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
PLACE = _list(NUMBER, minItems=2, maxItems=2)
OUTLINE = _list(PLACE)
BYTES: Schema = {"type": "integer", "minimum": 1, "maximum": MAX_UPLOAD_BYTES}

WORDS = _object({"words": TEXT})
PROGRESS = _object({"received": WHOLE, "size": WHOLE, "whole": FLAG})
RECEIVED = _object({"received": WHOLE})
_SHAPES: Schema = {
    "label": WHOLE,
    "outline": OUTLINE,
    "wounds": _list(OUTLINE),
    "mouths": _list(PLACE),
}
MACHINE_POLYP = _object(_SHAPES)
POLYP = _object(
    _SHAPES
    | {
        "x": NUMBER,
        "y": NUMBER,
        "diameter": TEXT,
        "figures": _list(_list(TEXT, minItems=2, maxItems=2)),
        "n_mouths": WHOLE,
        "wound": TEXT,
        "corrected": FLAG,
    }
)
SUMS = _object({"polyps": TEXT, "mouths": TEXT, "two": TEXT, "wound": TEXT})
STANDING = _object(
    {
        "id": TEXT,
        "author": TEXT,
        "own": FLAG,
        "at": TEXT,
        "words": TEXT,
        "state": {"enum": ["applied", "withdrawn", "open"]},
        "why": TEXT,
    }
)
_READING: Schema = {
    "version": TEXT,
    "mm_per_px": NUMBER,
    "polyps": _list(POLYP),
    "sums": SUMS,
    "machine_sums": SUMS,
    "history": _list(STANDING),
    "can_undo": FLAG,
    "can_redo": FLAG,
}
READING = _object(_READING | {"machine": _list(MACHINE_POLYP)})
CORRECTED = _object(_READING | {"others": _list(TEXT), "ids": _list(TEXT)})
WHO = _object(
    {
        "known": {
            "type": "object",
            "additionalProperties": _object({"name": TEXT, "parents": TEXT, "before": FLAG}),
        },
        "earlier": _list(_object({"name": TEXT, "photo": HASH, "label": WHOLE, "words": TEXT})),
    }
)
_VALUES: Schema = {
    "label": WHOLE,
    "labels": _list(WHOLE, minItems=2),
    "at": PLACE,
    "ats": _list(PLACE, minItems=2),
    "outline_px": _list(PLACE, minItems=3),
    "line_px": _list(PLACE, minItems=2),
    "stroke_px": _list(PLACE, minItems=1),
    "mouths_px": _list(PLACE),
    "centre_px": PLACE,
    "place_px": PLACE,
    "from_px": PLACE,
    "to_px": PLACE,
    "diameter_mm": {"type": "number", "exclusiveMinimum": 0},
    "radius_px": {"type": "number", "exclusiveMinimum": 0},
    "name": {"type": "string", "minLength": 1, "maxLength": 40},
    "as": {"enum": ["same", "daughter"]},
    "with": _object({"photo": HASH}, {"label": WHOLE, "at": PLACE}),
    "id": {"type": "string", "minLength": 6},
}
WISH: Schema = {
    "oneOf": [
        _object({"kind": {"const": kind}}, {"photo": HASH} | {key: _VALUES[key] for key in keys})
        for kind, keys in KEYS.items()
    ]
}
ANNOUNCED = _object({"sha256": HASH, "name": TEXT, "size": BYTES}, open_to_more=True)
WISHES = _object(
    {"wishes": _list(WISH, minItems=1, maxItems=MOST_AT_ONCE), "seen": TEXT}, open_to_more=True
)


def _answer(words: str, schema: Schema, kind: str = "application/json") -> Schema:
    return {"description": words, "content": {kind: {"schema": schema}}}


_PAGE = {"description": "Said as a page.", "content": {"text/html": {"schema": TEXT}}}
_AGAIN = {
    **_answer("Come again in a while.", WORDS),
    "headers": {"Retry-After": {"schema": WHOLE, "description": "Seconds."}},
}
_EVER: Schema = {
    "401": _PAGE,
    "403": _PAGE,
    "414": _PAGE,
    "421": _PAGE,
    "503": _AGAIN,
}
_WRONG = _answer("What was sent cannot be.", WORDS)
_NONE = _answer("There is no such photo.", WORDS)


def _does(
    summary: str,
    answers: Schema,
    *,
    body: Schema | None = None,
    asked: list[Schema] | None = None,
) -> Schema:
    found: Schema = {"summary": summary, "responses": answers | _EVER}
    if asked is not None:
        found["parameters"] = asked
    if body is not None:
        found["requestBody"] = {"required": True, "content": body}
    return found


def _asked(name: str, schema: Schema, *, needed: bool = True) -> Schema:
    return {"name": name, "in": "query", "required": needed, "schema": schema}


def _of_photo(method: str, does: Schema) -> Schema:
    path = {"name": "sha256", "in": "path", "required": True, "schema": HASH}
    return {"parameters": [path], method: does}


def description() -> Schema:
    """Return the description as plain JSON values."""
    sent = {"413": _answer("Too large.", WORDS), "422": _answer("No photo.", WORDS)}
    begin = _does(
        "A photo is coming: how much of it is here?",
        {"200": _answer("So much.", PROGRESS), "400": _WRONG, **sent},
        body={"application/json": {"schema": ANNOUNCED}},
    )
    add = _does(
        "A piece of a photo.",
        {
            "200": _answer("So much is here.", PROGRESS),
            "400": _WRONG,
            "404": _answer("The whole is no photo.", WORDS),
            "408": _answer("It came too slowly.", WORDS),
            "409": _answer("It does not follow what is here; go on there.", RECEIVED),
            **sent,
        },
        body={"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
        asked=[
            _asked("size", BYTES),
            _asked("offset", {"type": "integer", "minimum": 0, "maximum": MAX_UPLOAD_BYTES}),
            _asked("name", TEXT, needed=False),
        ],
    )
    progress = _does(
        "How far the reading is, told as it goes on.",
        {"200": _answer("Events.", TEXT, "text/event-stream"), "404": _NONE},
    )
    seen = _does(
        "The reading as it holds, and the machine's.",
        {"200": _answer("The reading.", READING), "400": _WRONG, "404": _NONE},
    )
    who = _does(
        "Who the polyps are, and could be.",
        {"200": _answer("Names.", WHO), "400": _WRONG, "404": _NONE},
    )
    correct = _does(
        "Record corrections: all, or none.",
        {
            "200": _answer("The reading as it is now.", CORRECTED),
            "400": _WRONG,
            "404": _NONE,
            "409": _answer("The photo was read again meanwhile.", WORDS),
            "413": _answer("Too large.", WORDS),
        },
        body={"application/json": {"schema": WISHES}},
    )
    own = _does("This description.", {"200": _answer("OpenAPI.", {"type": "object"})})
    return {
        "openapi": "3.1.0",
        "info": {"title": "polypvision serve", "version": __version__},
        "paths": {
            "/photos/begin": {"post": begin},
            "/photos/{sha256}": _of_photo("put", add),
            "/photos/{sha256}/progress": _of_photo("get", progress),
            "/photos/{sha256}/reading": _of_photo("get", seen),
            "/photos/{sha256}/who": _of_photo("get", who),
            "/photos/{sha256}/corrections": _of_photo("post", correct),
            "/desk/openapi.json": {"get": own},
        },
    }


def described(request: Request) -> JSONResponse:
    """The description, for whoever writes a script at the desk."""
    return JSONResponse(description())
