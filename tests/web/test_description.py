"""What is described is what there is, and what is sent by the description, or against it, is
answered as it says."""

import json
from typing import Any, get_type_hints

import hypothesis
import pytest
import schemathesis
import web_house
from hypothesis import HealthCheck, Phase
from schemathesis.checks import not_a_server_error
from schemathesis.config import SchemathesisConfig
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from starlette.responses import JSONResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send
from web_house import DESK, PORT, House

from polypvision.corrections.wishes import KEYS
from polypvision.plates.show import stored_photos
from polypvision.web.app import _routes
from polypvision.web.description import description

house = web_house.house
CHECKS = (
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
)
NAMES = [
    f"{method.upper()} {path}"
    for path, does in description()["paths"].items()
    for method in does
    if method != "parameters"
]


def test_every_route_that_answers_in_json_is_described() -> None:
    answering = {
        f"{method} {route.path.replace(':str', '')}"
        for route in _routes()
        if isinstance(route, Route) and get_type_hints(route.endpoint).get("return") is JSONResponse
        for method in set(route.methods or ()) - {"HEAD"}
    }
    # Events are told as text.
    assert answering | {"GET /photos/{sha256}/progress"} == set(NAMES)


def test_every_correction_is_described() -> None:
    correct = description()["paths"]["/photos/{sha256}/corrections"]["post"]
    sent = correct["requestBody"]["content"]["application/json"]["schema"]
    kinds = sent["properties"]["wishes"]["items"]["oneOf"]
    said = {one["properties"]["kind"]["const"]: set(one["properties"]) for one in kinds}
    assert said == {kind: {*keys, "kind", "photo"} for kind, keys in KEYS.items()}


def test_only_the_desk_is_shown_it(house: House) -> None:
    assert house.desk().get("/desk/openapi.json").json() == description()
    assert house.phone().get("/desk/openapi.json").status_code == 403
    assert house.stranger().get("/desk/openapi.json").status_code == 401


def at_the_desk(app: ASGIApp, cookie: str) -> ASGIApp:
    """The application as the desk's browser reaches it."""

    async def reached(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            own = {b"host": f"127.0.0.1:{PORT}", b"origin": DESK, b"cookie": cookie}
            own |= {b"accept": "application/json"}
            kept = [one for one in scope["headers"] if one[0] not in own]
            headers = kept + [(name, value.encode()) for name, value in own.items()]
            scope = {**scope, "client": ("127.0.0.1", 50000), "headers": headers}
        await app(scope, receive, send)

    return reached


@pytest.fixture
def schema(house: House) -> Any:
    app = at_the_desk(house.app, "polypvision_person=Ada")
    config = SchemathesisConfig()
    return schemathesis.openapi.from_asgi("/desk/openapi.json", app, config=config)


@pytest.mark.filterwarnings("ignore:.*:DeprecationWarning")
@pytest.mark.parametrize("name", [one for one in NAMES if "openapi" not in one])
def test_what_is_sent_is_answered_as_described(schema: Any, house: House, name: str) -> None:
    method, path = name.split()
    photo = stored_photos(house.book, "0042")[-1].sha256
    seen = house.desk().get(f"/photos/{photo}/reading").json()["version"]
    tried: list[int] = []

    @hypothesis.settings(
        max_examples=25,
        deadline=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @hypothesis.given(
        case=hypothesis.strategies.one_of(
            schema[path][method].as_strategy(generation_mode=GenerationMode.POSITIVE),
            schema[path][method].as_strategy(generation_mode=GenerationMode.NEGATIVE),
        ),
        known=hypothesis.strategies.booleans(),
    )
    def send(case: Any, known: bool) -> None:
        if known and "sha256" in (case.path_parameters or {}):
            case.path_parameters["sha256"] = photo
            if isinstance(case.body, dict) and "seen" in case.body:
                case.body["seen"] = seen
        answer = case.call_and_validate(checks=CHECKS)
        tried.append(answer.status_code)

    send()
    assert len(tried) >= 20


@pytest.mark.parametrize(
    "body",
    [
        "[" * 100_000,
        '{"sha256": "a", "name": "a", "size": Infinity}',
        f'{{"sha256": "a", "name": "a", "size": {"9" * 4000}}}',
        '{"sha256": "a", "name": "a", "size": true}',
        '{"sha256": "a", "name": ["a"], "size": 9}',
        "\ud800".encode("utf-8", "surrogatepass"),
    ],
)
def test_numbers_and_nesting_without_end_are_refused(house: House, body: str | bytes) -> None:
    own = {"origin": DESK, "accept": "application/json"}
    answer = house.desk().post("/photos/begin", content=body, headers=own)
    assert answer.status_code == 400
    assert answer.json()["words"]


@pytest.mark.parametrize(
    ("wish", "seen"),
    [
        ({"kind": "add", "centre_px": [100, 100], "diameter_mm": 1e308}, ""),
        ({"kind": "paint-wound", "label": 1, "stroke_px": [[120, 120]], "radius_px": 1e300}, ""),
        ({"kind": "add-mouth", "label": 1, "place_px": [1e308, 1e308]}, ""),
        ({"kind": "undo"}, "9" * 5000),
    ],
)
def test_corrections_of_any_size_are_answered(house: House, wish: Any, seen: str) -> None:
    desk, own = house.desk(), {"origin": DESK, "accept": "application/json"}
    photo = stored_photos(house.book, "0042")[-1].sha256
    desk.post(f"/photos/{photo}/person", data={"name": "Ada"}, headers=own)
    version = desk.get(f"/photos/{photo}/reading").json()["version"]
    number, _, mark = version.partition("-")
    said = {"wishes": [wish], "seen": f"{seen or number}-{mark}"}
    answer = desk.post(f"/photos/{photo}/corrections", content=json.dumps(said), headers=own)
    assert answer.status_code == 400, answer.text


@pytest.mark.parametrize("at", ["0001-01-01T00:00", "9999-12-31T23:59", "0001-01-01T00:00+23:59"])
def test_days_at_the_ends_of_time_are_refused(house: House, at: str) -> None:
    said = {"plate": "0042", "kind": "note", "note": "x", "at": at}
    answer = house.desk().post("/log", data=said, headers={"origin": DESK})
    assert answer.status_code == 400


@pytest.mark.parametrize("path", ["/photos/{}/pieces/{}-0.jpg", "/photos/{}/scaled/{}.jpg"])
def test_addresses_without_end_are_refused(house: House, path: str) -> None:
    long = path.format("0" * 64, "9" * 5000)
    assert house.desk().get(long).status_code == 414
    assert house.desk().get("/log?plate=" + "a" * 9000).status_code == 414
