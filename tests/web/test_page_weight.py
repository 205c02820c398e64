"""The page of a plate with many dates and polyps stays light, and is not worked out anew."""

import re
from collections.abc import Iterator

import pytest
from page_speed import asked, fill
from starlette.testclient import TestClient

from polypvision.store.logbook import open_logbook
from polypvision.web.app import make_app
from polypvision.web.guard import Door

FEW, MANY = "0002", "0060"
MOST_BYTES = 500_000


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    folder = tmp_path_factory.mktemp("weight")
    with open_logbook(folder / "logbook.sqlite", create=True) as book:
        fill(book, FEW, 2, 40)
        fill(book, MANY, 60, 40)
        app, _ = make_app(book, folder / "desk", Door(port=8742))
        yield TestClient(app, base_url="http://127.0.0.1:8742", client=("127.0.0.1", 5000))
        app._app.state.office.queue.close()  # type: ignore[attr-defined]


def sent(client: TestClient, path: str) -> int:
    """Bytes that go over the network."""
    with client.stream("GET", path) as answer:
        assert answer.status_code == 200
        return sum(len(piece) for piece in answer.iter_raw())


def test_a_page_weighs_less_than_500_kb_without_its_photos(client: TestClient) -> None:
    text = client.get(f"/plates/{MANY}").text
    assert text.count("<option") > 120
    assert text.count('class="rim"') == 40
    parts = set(re.findall(r'(?:src|href)="(/(?:static|plates/\d+/charts)/[^"]+)"', text))
    names = {one.partition("?")[0].rpartition("/")[2] for one in parts}
    assert {"pages.css", "plate.js", "growth.svg", "lineage.svg"} <= names
    parts |= {f"/plates/{MANY}", f"/plates/{MANY}/expected", f"/plates/{MANY}/charts/dates.svg"}
    weights = {one: sent(client, one) for one in parts}
    assert sum(weights.values()) < MOST_BYTES, weights


def test_many_dates_add_no_more_than_their_names(client: TestClient) -> None:
    few, many = (len(client.get(f"/plates/{plate}").text) for plate in (FEW, MANY))
    assert many < 1.5 * few


def test_a_page_of_60_dates_answers_within_twice_the_time_of_2(client: TestClient) -> None:
    for plate in (FEW, MANY):
        asked(client, plate)
    # The fastest of several: other programs only make it slower.
    best = {plate: min(asked(client, plate)[0] for _ in range(15)) for plate in (FEW, MANY)}
    assert best[MANY] < 2 * best[FEW]
