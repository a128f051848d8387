"""The same study on a real Dask scheduler with two worker processes on loopback."""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import dask
import pytest
from invented_study import invented_work, make_study, outputs

from coreg.cohort import load_study, run_study
from coreg.errors import UsageError

TESTS = Path(__file__).resolve().parents[1]  # where the workers find the invented work
QUIET = {**os.environ, "PYTHONWARNINGS": "ignore", "PYTHONPATH": str(TESTS)}


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@contextmanager
def scheduler_with_two_workers(folder):
    """The command-line scheduler and workers, as a cluster would start them."""
    address = f"tcp://127.0.0.1:{free_port()}"
    host, port = "127.0.0.1", address.rsplit(":", 1)[1]
    dask = [sys.executable, "-m", "dask"]
    plain = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder}
    start = [*dask, "scheduler", "--host", host, "--port", port, "--no-dashboard"]
    work = [*dask, "worker", address, "--nthreads", "1", "--no-nanny", "--host", host]
    processes = [subprocess.Popen(start, env=QUIET, **plain)]
    try:
        for _ in range(2):
            command = [*work, "--no-dashboard", "--local-directory", str(folder)]
            processes.append(subprocess.Popen(command, env=QUIET, **plain))
        wait_for_workers(address, 2)
        yield address, processes[1:]
    finally:
        for process in processes:
            process.kill()
        for process in processes:
            process.wait(20)


def wait_for_workers(address, count):
    from distributed import Client

    deadline = time.monotonic() + 90
    while True:
        try:
            with Client(address, timeout="5s", set_as_default=False) as client:
                client.wait_for_workers(count, timeout=60)
                return
        except OSError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.3)


def test_a_killed_worker_loses_nothing_and_counts_nothing_twice(tmp_path):
    """One of two workers is killed while it works; the bytes are those of a run without Dask."""
    here, there = make_study(tmp_path / "here", 12), make_study(tmp_path / "there", 12)
    for folder in there.glob("case_*"):
        (folder / "slow").write_text("0.4", encoding="utf-8")
    alone = run_study(load_study(here), workers=0, work=invented_work)
    (tmp_path / "scratch").mkdir()
    with scheduler_with_two_workers(tmp_path / "scratch") as (address, workers):
        finished = []

        def kill_half_way(fraction, text):
            finished.append(text)
            if len(finished) == 5:
                os.kill(workers[0].pid, signal.SIGKILL)

        result = run_study(load_study(there), address, kill_half_way, work=invented_work)
        assert workers[0].wait(20) == -signal.SIGKILL
        assert workers[1].poll() is None
        with dask.config.set({"scheduler-address": address}):  # as a deployment configures it
            again = run_study(load_study(there), work=invented_work)
        assert again.ran == ()
    assert result.failed == ()
    assert result.done == alone.done
    assert len([text for text in finished if text.endswith(" done")]) == 12
    runs = {f.parent.name: f.read_text(encoding="utf-8").split() for f in there.glob("*/runs.log")}
    assert len(runs) == 12
    pids = {pid for log in runs.values() for pid in log}
    assert {str(process.pid) for process in workers} == pids  # both had done something
    assert all(log[-1] == str(workers[1].pid) for log in runs.values())  # so did the one left
    mine, theirs = outputs(here), outputs(there)
    for name in ("cohort.csv", "failed.csv"):
        assert mine[name] == theirs[name]
    assert mine["cohort.json"] == theirs["cohort.json"].replace(b'"there"', b'"here"')
    assert mine["cohort.md"] == theirs["cohort.md"].replace(b"# there", b"# here")
    assert sum("records" in name for name in theirs) == 12


def test_workers_started_here_give_the_same_bytes(tmp_path):
    make_study(tmp_path, 6)
    (tmp_path / "case_004" / "broken").touch()
    run_study(load_study(tmp_path), workers=0, work=invented_work)
    before = outputs(tmp_path)
    result = run_study(load_study(tmp_path), workers=2, work=invented_work)
    assert result.failed == (("case_004", "Unforeseen ZeroDivisionError: invented fault"),)
    assert outputs(tmp_path) == before
    assert threading.active_count() < 50


def test_no_scheduler_at_the_address_is_said_in_one_sentence(tmp_path):
    make_study(tmp_path, 1)
    address = f"tcp://127.0.0.1:{free_port()}"
    with pytest.raises(UsageError, match=f"No Dask scheduler answers at {address}"):
        run_study(load_study(tmp_path), address, work=invented_work)
