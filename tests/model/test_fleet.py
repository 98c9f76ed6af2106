"""Partitions on Dask workers against the fit of one process: the same bits, and little that crosses."""

import os
import pickle
import signal
import sys
from itertools import pairwise

import numpy as np
import pytest

from leadline.errors import FitError, LeadlineError
from leadline.model.fleet import Fleet, Held, Workers, fit_fleet, fleet, handed_out, likeliest_fleet
from leadline.model.joining import joined
from leadline.model.large import fit_any_size, likeliest_any_size
from leadline.model.pairwise import branches, total
from leadline.model.propagation import Sweeper, levels_of
from leadline.model.share import Share
from leadline.model.sites import Sites

from .worlds import TRUE, draw

pytest.importorskip("distributed", reason="Dask, of the extra `fleet`, is not installed")

SAMPLES = (400,)


@pytest.fixture(scope="module")
def book():
    return draw(np.random.default_rng(5), divers=300, dives=5, exposures=4).observations


@pytest.fixture(scope="module")
def crews():
    """One and two workers, threads of this process."""
    from distributed import Client, LocalCluster

    found = {}
    for workers in (1, 2):
        cluster = LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=False,
            protocol="tcp",
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            memory_limit=0,
        )
        found[workers] = Workers(Client(cluster, set_as_default=False))
    yield found
    for workers in found.values():
        cluster = workers.client.cluster
        workers.client.close()
        cluster.close()


@pytest.fixture(scope="module")
def alone(book):
    """The fit of one process."""
    return fit_any_size(book, few=0, samples=SAMPLES)


@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.parametrize("partitions", [1, 2, 16])
def test_partitions_and_workers_do_not_change_a_bit(book, alone, crews, partitions, workers):
    crew = crews[workers]
    # Handed out in parts that are no whole chunks.
    held = Held(crew, handed_out(crew, book, parts=5), names=book.names)
    found = fit_fleet(held, partitions=partitions, few=0, samples=SAMPLES)
    assert found.to_bytes() == alone.to_bytes()


def test_settled_evidence_and_slope_are_those_of_one_process(book, crews):
    crew = crews[2]
    holder = Fleet(Held(crew, handed_out(crew, book, parts=3), names=book.names), partitions=7)
    one, many = (Sweeper(rows).propagate(TRUE) for rows in (book, holder))
    for name in ("mean", "precision", "gradient"):
        assert getattr(one, name).tobytes() == getattr(many, name).tobytes(), name
    assert (one.log_evidence, one.sweeps) == (many.log_evidence, many.sweeps)


def test_a_small_book_is_fitted_as_ever(book, crews):
    few = book.take(book.diver < 12)
    held = Held(crews[1], handed_out(crews[1], few, parts=3), names=few.names)
    assert fit_fleet(held).to_bytes() == fit_any_size(few).to_bytes()


@pytest.mark.parametrize("samples", [(), SAMPLES])
def test_the_mode_with_records_as_intervals_is_the_same(book, crews, samples):
    held = Held(crews[2], handed_out(crews[2], book, parts=3), names=book.names)
    expected = likeliest_any_size(book.as_intervals(), few=0, samples=samples)
    assert likeliest_fleet(held, few=0, samples=samples) == expected


def test_columns_that_a_part_does_not_know_are_nought_there(book):
    halves = [book.take(book.diver < 100), book.take(book.diver >= 100)]
    assert np.array_equal(joined(halves, book.names).exposure, book.exposure)
    names = ("new", *book.names)
    whole = joined(halves, names)
    assert whole.names == names
    assert not whole.exposure[:, 0].any()
    assert np.array_equal(whole.occasion, book.occasion)


@pytest.mark.parametrize("size", [1, 7, 127, 128, 129, 255, 300, 1031, 8200, 50_001])
def test_a_sum_of_parts_is_numpys_to_the_bit(size):
    # Independent: numpy's own sum. The numbers differ in size, so that another order shows.
    rng = np.random.default_rng(size)
    values = rng.normal(size=size) * np.exp(rng.normal(0, 4, size))
    for count in (1, 2, 3, 16):
        bounds = np.sort(np.concatenate([[0, size], rng.integers(0, size + 1, count - 1)]))
        told = [branches(values[a:b], int(a), size) for a, b in pairwise(bounds)]
        assert total(told, size) == float(np.sum(values))
        assert max(sum(v.size for v in each.values()) for each in told) <= 2 * 128 + 2 * 20


def crossed(monkeypatch, crew, rows):
    """Bytes of what workers answer in one settling, by what they were asked."""
    found = []
    real = Workers.result

    def noted(crew, future):
        answer = real(crew, future)
        found.append(len(pickle.dumps(answer)))
        return answer

    holder = Fleet(Held(crew, handed_out(crew, rows, parts=2), names=rows.names), partitions=2)
    zero, one = np.zeros(holder.columns), np.eye(holder.columns)
    with monkeypatch.context() as patch:
        patch.setattr(Workers, "result", noted)
        holder.begin(levels_of(TRUE), Sites.flat(0))
        holder.sweep((zero, one), damping=1.0, rounds=1, enough=1.0)
        swept = sum(found)
        holder.settle((zero, one), late=1.0, inform=False)
    return swept, sum(found) - swept


def test_what_crosses_does_not_grow_with_the_rows(monkeypatch, crews):
    rng = np.random.default_rng(2)
    books = [
        draw(rng, divers=divers, dives=dives, exposures=3).observations
        for divers, dives in ((1040, 1), (1040, 6), (1900, 6))
    ]
    assert len(books[2]) > 5 * len(books[0])
    swept, settled = zip(*(crossed(monkeypatch, crews[2], rows) for rows in books), strict=True)
    assert swept[0] == swept[1] == swept[2]
    # Parts of two short branches and one sum for each halving: the number of divers enters by its logarithm.
    assert settled[0] == settled[1]
    assert max(settled) < 8 * (2 * 2 * 128) + 4000


def test_an_actor_that_was_made_anew_has_forgotten_and_says_so(book):
    chunks = np.array([0, len(book.body_sd)])
    share = Share([book], names=book.names, first=0, divers=len(book.body_sd), chunks=chunks, threads=1)
    with pytest.raises(RuntimeError, match="was lost"):
        share.ask(5, "begin", (levels_of(TRUE),))


def test_processes_give_the_same_bits_and_a_lost_one_ends_the_fit_in_a_line(book, alone):
    with fleet(workers=2) as crew:
        addresses = list(crew.threads)
        assert all(address.startswith("tcp://127.0.0.1:") for address in addresses)
        held = Held(crew, handed_out(crew, book, parts=2), names=book.names)
        found = fit_fleet(held, partitions=4, few=0, samples=SAMPLES)
        assert found.to_bytes() == alone.to_bytes()
        pids = crew.client.run(os.getpid)

        def stab(text: str) -> None:
            # Between the sample and the sweeps over all rows.
            if text.startswith("shared effects"):
                os.kill(pids[addresses[0]], signal.SIGKILL)

        with pytest.raises(FitError, match="a worker of the fleet was lost") as lost:
            fit_fleet(held, partitions=4, few=0, samples=SAMPLES, notify=stab)
        assert "\n" not in str(lost.value)


class Broken:
    """A future that brings an error."""

    def __init__(self, error):
        self.error = error

    def result(self, timeout):
        raise self.error


@pytest.mark.parametrize(
    ("error", "kind", "said"),
    [
        (OSError("Unable to contact Actor's worker"), FitError, "a worker of the fleet was lost"),
        (RuntimeError("Worker holding Actor was lost."), FitError, "a worker of the fleet was lost"),
        (RuntimeError("Error during deserialization of the task graph."), LeadlineError, "the same leadline"),
        (ModuleNotFoundError("No module named 'leadline'"), LeadlineError, "the same leadline"),
        (RuntimeError("something else"), RuntimeError, "something else"),
        (FitError("did not settle"), FitError, "did not settle"),
    ],
)
def test_what_goes_wrong_with_workers_is_told_apart(crews, error, kind, said):
    with pytest.raises(kind, match=said):
        crews[1].result(Broken(error))


def test_without_dask_or_a_scheduler_there_is_one_clear_line(monkeypatch):
    monkeypatch.setattr("leadline.model.workers.ANSWER", 0.5)
    with (
        pytest.raises(LeadlineError, match=r"no Dask scheduler answers at '127\.0\.0\.1:9'"),
        fleet(scheduler="127.0.0.1:9"),
    ):
        pass
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(LeadlineError, match=r"pip install '\.\[fleet\]'"), fleet():
        pass
