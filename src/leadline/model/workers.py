"""Dask workers: where they are, and what they answer; Dask is an extra and imported where it is used."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from leadline.errors import FitError, LeadlineError

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["LOST", "fleet", "placed", "result"]

ANSWER: Final = 10.0
"""Time in which a scheduler has to answer. [s]"""

PATIENCE: Final = 2.0
"""Time after which it is asked whether a worker that does not answer is still there. [s]"""

LOST: Final = "a worker of the fleet was lost during the fit: nothing was stored; run it again"


@contextmanager
def fleet(*, workers: int = 2, scheduler: str | None = None) -> Iterator[Client]:
    """Dask workers for a fit.

    Parameters
    ----------
    workers : int
        Processes of this machine, one thread each, that listen on its loopback address alone.
    scheduler : str, optional
        Address of a Dask scheduler whose workers have leadline too; then these. Whoever reaches a scheduler
        can run anything on its workers: it belongs in a network of its own.

    Yields
    ------
    distributed.Client

    Raises
    ------
    LeadlineError
        If Dask is not installed, or nobody answers at the address.
    """
    try:
        from distributed import Client, LocalCluster
    except ImportError:
        raise LeadlineError(
            "partitions on workers need Dask, which is not installed: "
            "`pip install '.[fleet]'` in the folder that leadline was installed from"
        ) from None
    if scheduler is not None:
        try:
            client = Client(scheduler, timeout=ANSWER, set_as_default=False)
        except (OSError, ValueError) as error:
            raise LeadlineError(f"no Dask scheduler answers at {scheduler!r}: look at the address") from error
        with client:
            yield client
        return
    with (
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            memory_limit=0,
        ) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):
        yield client


def placed(client: Client, count: int) -> list[str]:
    """Addresses of workers for so many parts, neighbours together."""
    addresses = sorted(client.nthreads())
    if not addresses:
        raise LeadlineError("the fleet has no workers: start some, then run it again")
    return [addresses[k * len(addresses) // count] for k in range(count)]


def result(client: Client, future: Any, address: str | None = None) -> Any:
    """What a future brings; an error if the worker, or all of them, have gone."""
    from distributed import CancelledError, KilledWorker

    while True:
        try:
            return future.result(timeout=PATIENCE)
        except TimeoutError:
            there = client.nthreads()
            if not there or (address is not None and address not in there):
                raise FitError(LOST) from None
        except (OSError, CancelledError, KilledWorker) as error:
            raise FitError(LOST) from error
        except RuntimeError as error:
            if LOST in str(error) or "was lost" in str(error):
                raise FitError(LOST) from error
            raise
