"""The same readings by a cluster: the same tables, whatever dies or is lost on the way."""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from many_photos import WISHES, WORDS, Deadly, recorded, small_plate, statuses, tables
from postgresql_server import PASSWORD, Server
from run_command import Run

from polypvision.batch import cluster as cluster_module
from polypvision.batch.cluster import Cluster
from polypvision.batch.fingerprint import Fingerprint, fingerprint
from polypvision.batch.run import read_batch
from polypvision.errors import ClusterError, ClusterOther
from polypvision.files.photos import find_photos, read_file
from polypvision.files.remote import PhotoUrl
from polypvision.plates.read import Desk
from polypvision.plates.reader import Brief
from polypvision.plates.record import Recorder
from polypvision.reading import Refusal
from polypvision.store.logbook import Logbook, open_logbook

pytest.importorskip("distributed")
unix_only = pytest.mark.skipif(os.name == "nt", reason="signals as Unix has them are needed")


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """A scheduler and two worker processes of this computer."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        host="127.0.0.1",
    ) as started:
        yield started


@unix_only
def test_a_cluster_gives_the_tables_of_one_process_though_a_worker_is_killed(
    cluster: Any,
    tmp_path: Path,
    plates: Path,
    undisturbed: dict[str, bytes],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    third = read_file(sorted(plates.iterdir())[2]).sha256
    to_send = Recorder.brief_to_send
    mark = tmp_path / "died"

    def deadly(self: Recorder) -> Brief:
        return replace(to_send(self), is_known=Deadly("", third, mark))

    monkeypatch.setattr(Recorder, "brief_to_send", deadly)
    place = tmp_path / "book.sqlite"
    outcomes = recorded(plates, place, cluster=cluster.scheduler_address)
    assert mark.exists(), "no worker was killed"
    assert statuses(outcomes) == ["recorded"] * 6
    assert tables(place, tmp_path / "out") == undisturbed
    monkeypatch.undo()
    assert statuses(recorded(plates, place, cluster=cluster.scheduler_address)) == ["known"] * 6


@unix_only
def test_a_cluster_and_a_database_both_lost_in_mid_run_give_the_tables_of_one_process(
    cluster: Any,
    server: Server,
    filled_template: str,
    run: Run,
    tmp_path: Path,
    plates: Path,
    undisturbed: dict[str, bytes],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    address = server.address(server.new_database(filled_template))
    third = read_file(sorted(plates.iterdir())[2]).sha256
    mark = tmp_path / "died"
    to_send, real_write = Recorder.brief_to_send, Logbook.write
    starting: list[threading.Thread] = []
    n_written = 0

    def deadly(self: Recorder) -> Brief:
        return replace(to_send(self), is_known=Deadly("", third, mark))

    def write(book: Logbook, work: Any) -> Any:
        nonlocal n_written
        n_written += 1
        if n_written in (2, 5):
            # Away when it is written to: a crash first, then an orderly stop.
            server.stop("immediate" if n_written == 2 else "fast")
            starting.append(threading.Timer(0.5, server.start))
            starting[-1].start()
        return real_write(book, work)

    monkeypatch.setattr(Recorder, "brief_to_send", deadly)
    monkeypatch.setattr(Logbook, "write", write)
    words = ("read", "--record", plates, *WORDS, "--dask", cluster.scheduler_address)
    monkeypatch.setenv("POLYPVISION_LOGBOOK", address)
    try:
        done = run(*words)
    finally:
        for one in starting:
            one.join()
    monkeypatch.undo()
    assert mark.exists(), "no worker was killed"
    assert len(starting) == 2, "the database was not stopped twice"
    assert (done.status, "6 photos: 6 recorded." in done.out) == (0, True), done.err
    assert PASSWORD not in done.out + done.err
    with open_logbook(address) as book:
        assert tables(book, tmp_path / "out") == undisturbed
    again = run(*words, "--logbook", address)
    assert (again.status, "6 photos: 6 known already." in again.out) == (0, True), again.err


def test_what_cannot_be_read_over_there_is_told_and_the_rest_goes_on(
    cluster: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By address: one that kills its workers, one that is gone, one that cannot be fetched."""
    from distributed.scheduler import KilledWorker

    for number in (1, 2):
        (tmp_path / f"2024-03-0{number}.png").write_bytes(small_plate(number))
    names = [f"file://{tmp_path}/2024-03-0{number}.png" for number in (1, 2, 3)]
    places = [PhotoUrl(name) for name in (*names, "nosuch://room/a.png")]
    blamed: list[str] = []

    def error_of(future: Any) -> BaseException | None:
        if future.key.split("-")[3] != "1":
            return None
        blamed.append(future.key)
        killed: BaseException = KilledWorker(future.key, "tcp://127.0.0.1:9", 3)
        return killed

    monkeypatch.setattr(cluster_module, "_error_of", error_of)
    with open_logbook(tmp_path / "book.sqlite", create=True) as book:
        found = [(place, None) for place in places]
        address = cluster.scheduler_address
        outcomes = list(read_batch(found, WISHES, logbook=book, cluster=address))
    assert statuses(outcomes) == ["recorded", "refused", "refused", "refused"]
    kinds = [one.outcome.kind for one in outcomes if isinstance(one.outcome, Refusal)]
    assert kinds == ["reader-died", "unreadable", "unreadable"]
    assert len(blamed) == 2, "it may only have waited beside the one that did it"


def test_a_cluster_with_another_polypvision_is_refused(
    cluster: Any, tmp_path: Path, plates: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = fingerprint()
    for other in (replace(own, version="0.0.1"), replace(own, models="0" * 12)):
        monkeypatch.setattr(cluster_module, "fingerprint", lambda other=other: other)
        with pytest.raises(ClusterOther, match="might read otherwise") as told:
            recorded(plates, tmp_path / "book.sqlite", cluster=cluster.scheduler_address)
        assert str(own) in str(told.value)
        assert str(other) in str(told.value)
        # A worker that comes when the others were looked at already.
        monkeypatch.setattr(cluster_module, "_check", lambda client, address: None)
        with pytest.raises(ClusterOther, match="might read otherwise"):
            recorded(plates, tmp_path / "book.sqlite", cluster=cluster.scheduler_address)
        monkeypatch.undo()


def test_the_fingerprint_follows_the_weights(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "models").mkdir()
    (tmp_path / "models" / "plate.onnx").write_bytes(b"other weights")
    fingerprint.cache_clear()
    monkeypatch.setattr("polypvision.batch.fingerprint.files", lambda package: tmp_path)
    other = fingerprint()
    monkeypatch.undo()
    fingerprint.cache_clear()
    assert isinstance(other, Fingerprint)
    assert other.version == fingerprint().version
    assert other.models != fingerprint().models


def test_no_cluster_or_no_library_is_told_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    brief = Desk(WISHES).brief_to_send()
    monkeypatch.setattr(cluster_module, "_CONNECT_S", 0.5)
    for address in ("tcp://127.0.0.1:9", "nosuch://host", "no address"):
        with pytest.raises(ClusterError, match="cannot be reached"):
            Cluster(address, brief)
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ClusterError, match=r"pip install 'polypvision\[cluster\]'"):
        Cluster("tcp://127.0.0.1:9", brief)


def started(*words: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", *words, "--no-dashboard"]
    quiet = subprocess.DEVNULL
    return subprocess.Popen(command, stdout=quiet, stderr=quiet)


def test_a_scheduler_that_is_lost_is_waited_for(
    tmp_path: Path, plates: Path, undisturbed: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    from distributed.utils import open_port

    monkeypatch.setattr(cluster_module, "_LEAST_ROOM", 1)
    monkeypatch.setattr(cluster_module, "_PER_THREAD", 1)
    port = str(open_port("127.0.0.1"))
    address = f"tcp://127.0.0.1:{port}"
    scheduler = ("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", port)
    worker = ("distributed.cli.dask_worker", address, "--no-nanny", "--nthreads", "1")
    running = [started(*scheduler), started(*worker)]
    try:
        place = tmp_path / "book.sqlite"
        with open_logbook(place, create=True) as book:
            found = list(find_photos([plates]))
            outcomes = read_batch(found, WISHES, logbook=book, cluster=address)
            done = [next(outcomes), next(outcomes)]
            for one in running:
                one.kill()
                one.wait()
            running += [started(*scheduler), started(*worker)]
            began = time.monotonic()
            done += list(outcomes)
        assert statuses(done) == ["recorded"] * 6
        assert time.monotonic() - began < 120
        assert tables(place, tmp_path / "out") == undisturbed
    finally:
        for one in running:
            one.kill()
            one.wait()
