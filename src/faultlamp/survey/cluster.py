"""Work on a Dask cluster that is already there: its scheduler hands it out, the results come back here.

Every machine of the cluster, the scheduler's too, needs the same faultlamp, and must see the recordings under the same
paths or URLs. What is under way at once is bounded, so that thousands of results never wait on the cluster.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from itertools import islice
from typing import Any

from faultlamp import __version__
from faultlamp.errors import FaultlampError
from faultlamp.survey.pool import Lost, Result, Thing
from faultlamp.survey.tables import SCHEMA
from faultlamp.text import printable

ANSWER_WITHIN_S = 10
_A_THREAD = 2


@contextmanager
def cluster(address: str, timeout_s: float = ANSWER_WITHIN_S) -> Iterator[Any]:
    """A client of the scheduler at an address such as tcp://10.0.0.5:8786. Raises FaultlampError, also when the
    cluster has no worker or another faultlamp."""
    try:
        from distributed import Client
    except ImportError as missing:
        raise FaultlampError(
            'a survey on a cluster needs Dask, which is not installed: pip install "faultlamp[fleet]"'
        ) from missing
    # What it logs about lost connections would stand between the lines that faultlamp writes.
    for name in ("distributed", "distributed.client"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    shown = printable(address)
    try:
        client = Client(address, timeout=timeout_s)
    except Exception as error:  # of the network, of the address, of Dask
        raise FaultlampError(f"no Dask scheduler answers at {shown}: check the address, and that it runs") from error
    with client:
        try:
            client.wait_for_workers(1, timeout=timeout_s)
            versions = set(client.run(_version).values())
            # The scheduler unpacks the work too. That nobody has time for it now is no failure.
            with suppress(TimeoutError):
                client.submit(_version, pure=False).result(timeout=timeout_s)
        except TimeoutError as error:
            raise FaultlampError(f"the Dask scheduler at {shown} has no worker: start some first") from error
        except Exception as error:  # whatever a machine without this package makes of it
            raise FaultlampError(f'{_reason(error)}: install "faultlamp[fleet]" on all its machines') from error
        if versions != {_version()}:
            raise FaultlampError(f"the cluster does not have faultlamp {__version__}: install the same on all machines")
        yield client


def each_on_cluster(
    things: Iterable[Thing], work: Callable[[Thing], Result], client: Any
) -> Iterator[tuple[Thing, Result | Lost]]:
    """`work` of every thing on the cluster, as they finish."""
    from distributed import as_completed

    left = iter(things)
    things_of: dict[Any, Thing] = {}
    running = as_completed()

    def hand_out() -> None:
        room = _A_THREAD * max(1, sum(client.nthreads().values())) - len(things_of)
        for thing in islice(left, max(0, room)):
            future = client.submit(work, thing, pure=False)
            things_of[future] = thing
            running.add(future)

    hand_out()
    for future in running:
        thing = things_of.pop(future)
        if future.status in ("cancelled", "lost"):
            raise FaultlampError("the Dask cluster went away; what is done stays: start the same survey again to go on")
        result = future.result() if future.status == "finished" else Lost(_reason(future.exception()))
        future.release()
        hand_out()
        yield thing, result


def _version() -> tuple[str, int]:
    return __version__, SCHEMA


def _reason(error: BaseException) -> str:
    name, words = type(error).__name__, " ".join(str(error).split())
    return f"the cluster could not do it ({printable(f'{name}: {words}', longest=160)})"
