"""The unit of work of a study, one case, and where it is done: here, or on Dask workers."""

from __future__ import annotations

import hashlib
import json
import logging
import uuid
import warnings
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from coreg.errors import CoregError, UsageError
from coreg.results import read_json

Record = dict[str, Any]
Work = Callable[[str], Record]

# Cases handed to the scheduler ahead of their turn; more would only fill its memory.
AHEAD = 64
STEPS = ("predict", "outline", "align", "agree")


def run_one(folder: str) -> Record:
    """Run a case up to its agreement and give its numbers; errors meant for the user are a result.

    Does only what is to do or stale. Returns
    ``{"state": "done", "reason": "", "ran": steps done now, "sha256": of agreement.json,
    "zones": zone → measure → [value, low, high], "curves": {"thresholds_percent", zone → Dice},
    "observers": who labelled how much area how, or None}``,
    or ``{"state": "failed", "reason": sentence}``.
    """
    from coreg.case import open_case

    try:
        result = open_case(folder).run(STEPS)
    except CoregError as error:
        return failed(str(error))
    return read_record(Path(folder) / "results" / "agree", result.done)


def read_record(results: Path, ran: Sequence[str] = ()) -> Record:
    """The record of a case from the files of its finished step `agree`."""
    agreement = (results / "agreement.json").read_bytes()
    found = json.loads(agreement)
    curves = read_json(results / "threshold.json")
    return {
        "state": "done",
        "reason": "",
        "ran": list(ran),
        "sha256": hashlib.sha256(agreement).hexdigest(),
        "zones": {
            zone: {
                name: [values["value"], values["low"], values["high"]]
                for name, values in table["measures"].items()
            }
            for zone, table in found["zones"].items()
        },
        "observers": found.get("observer_labels"),
        "curves": {
            "thresholds_percent": curves["thresholds_percent"],
            "zones": {zone: curve["dice"] for zone, curve in curves["zones"].items()},
        },
    }


def failed(reason: str) -> Record:
    """The record of a case that gave no agreement."""
    return {"state": "failed", "reason": reason, "ran": []}


def work_through(
    folders: Sequence[str],
    work: Work,
    *,
    scheduler: str | None = None,
    workers: int | None = None,
) -> Iterator[tuple[str, Record]]:
    """Do the work for every folder and give each record as it comes, in any order.

    Parameters
    ----------
    scheduler : address of a running Dask scheduler; None takes the deployment that Dask's own
        configuration names, else starts workers on this machine
    workers : processes on this machine where they are started here; None for one a core; 0 does
        the work in this process, without Dask

    A worker that dies costs nothing but time: Dask gives its cases to another. What goes wrong
    unforeseen in a case becomes its reason.
    """
    if workers == 0 and scheduler is None:
        with ThreadPoolExecutor(1) as pool:
            for folder in folders:
                yield folder, _record(pool.submit(work, folder))
        return
    with _client(scheduler, workers) as client:
        yield from _on_dask(client, folders, work)


def _on_dask(client: Any, folders: Sequence[str], work: Work) -> Iterator[tuple[str, Record]]:
    from distributed import as_completed

    token = uuid.uuid4().hex  # a scheduler that lives on must not answer from an earlier run
    waiting = iter(enumerate(folders))
    running = as_completed(loop=client.loop)
    folder_of: dict[str, str] = {}

    def submit_next() -> None:
        number_and_folder = next(waiting, None)
        if number_and_folder is not None:
            number, folder = number_and_folder
            future = client.submit(work, folder, key=f"case-{token}-{number}", pure=False)
            folder_of[future.key] = folder
            running.add(future)

    for _ in range(AHEAD):
        submit_next()
    try:
        for future in running:
            record = _record(future)
            folder = folder_of.pop(future.key)
            future.release()
            submit_next()
            yield folder, record
    finally:
        client.cancel(list(running.futures))


def _record(future: Any) -> Record:
    """What a finished piece of work gave; its exception, whichever it is, as the reason."""
    error = future.exception()
    if error is None:
        return dict(future.result())
    if type(error).__name__ == "KilledWorker":
        return failed(
            "Its worker process died each time it was tried; perhaps it ran out of memory: give "
            "the workers more, or run this case alone."
        )
    return failed(f"Unforeseen {type(error).__name__}: {' '.join(str(error).split())}")


@contextmanager
def _client(scheduler: str | None, workers: int | None) -> Iterator[Any]:
    """A Dask client: of the scheduler named, of the configured one, or of workers started here."""
    import dask
    from distributed import Client, LocalCluster

    address = scheduler or dask.config.get("scheduler-address", None)
    if address is not None:
        try:
            client = Client(address, timeout="10s", set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise UsageError(
                f"No Dask scheduler answers at {address}; start one with 'dask scheduler', or "
                "leave the option out to work on this machine."
            ) from error
        with client:
            yield client
        return
    with warnings.catch_warnings():
        # Another cluster on this machine holds Dask's usual port; ours takes a free one.
        warnings.filterwarnings("ignore", "(?s)Port .* is already in use", UserWarning)
        cluster = LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            dashboard_address=None,
            host="127.0.0.1",
            silence_logs=logging.CRITICAL,  # a case's fault becomes its reason, not a traceback
        )
    with cluster, Client(cluster, set_as_default=False) as client:
        yield client
