"""Dask workers: where they are, and what they answer; Dask is an extra and imported where it is used."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from leadline.errors import FitError, LeadlineError

if TYPE_CHECKING:
    from distributed import Client, Future

__all__ = ["LOST", "Workers", "fleet"]

ANSWER: Final = 10.0
"""Time in which a scheduler has to answer. [s]"""

PATIENCE: Final = 2.0
"""Time after which it is asked whether a worker that does not answer is still there. [s]"""

LOST: Final = "a worker of the fleet was lost during the fit: nothing was stored; run it again"

STRANGE: Final = (
    "scheduler and workers must have the same leadline and the same libraries: install them there too"
)


class Workers:
    """The workers there are when a fit begins; all of them have to stay until it ends.

    Parameters
    ----------
    client : distributed.Client
        Of at least one.

    Raises
    ------
    LeadlineError
        If there is none.
    """

    def __init__(self, client: Client) -> None:
        self.client = client
        self.threads: dict[str, int] = dict(sorted(client.nthreads().items()))
        if not self.threads:
            raise LeadlineError("the fleet has no workers: start some, then run it again")

    def placed(self, count: int) -> list[str]:
        """Addresses of workers for so many parts, neighbours together."""
        addresses = list(self.threads)
        return [addresses[k * len(addresses) // count] for k in range(count)]

    def submit(self, work: Callable[..., Any], *arguments: Any, place: str | None = None) -> Future[Any]:
        """Have some work done, at a place if it matters where."""
        where = None if place is None else [place]
        return self.client.submit(work, *arguments, workers=where, pure=False)

    def _all_there(self) -> None:
        """An error if any worker has gone, or the scheduler that knows of them."""
        try:
            there = self.client.nthreads()
        except OSError as error:
            raise FitError(LOST) from error
        if not self.threads.keys() <= there.keys():
            raise FitError(LOST)

    def result(self, future: Any) -> Any:
        """What a future brings.

        Raises
        ------
        FitError
            If a worker has gone.
        LeadlineError
            If workers do not understand what they are asked.
        """
        from distributed import CancelledError, KilledWorker

        while True:
            try:
                return future.result(timeout=PATIENCE)
            except TimeoutError:
                self._all_there()
            except (OSError, CancelledError, KilledWorker) as error:
                raise FitError(LOST) from error
            except ModuleNotFoundError as error:
                raise LeadlineError(STRANGE) from error
            except RuntimeError as error:
                if "deserialization" in str(error):
                    raise LeadlineError(STRANGE) from error
                if "was lost" in str(error):
                    raise FitError(LOST) from error
                raise


@contextmanager
def fleet(*, workers: int = 2, scheduler: str | None = None) -> Iterator[Workers]:
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
    Workers

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
            yield Workers(client)
        return
    with (
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            memory_limit=0,
            silence_logs=logging.CRITICAL,  # what matters comes as an error of ours
        ) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):
        yield Workers(client)
