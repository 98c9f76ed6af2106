"""Records in parts, each read by a worker, against the whole book in one process: the same bits."""

import os
import signal
from dataclasses import fields
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from leadline.book import Book, dataset
from leadline.decide.fleet import hold, learn_in_parts
from leadline.decide.learning import learn
from leadline.errors import BookError, FitError
from leadline.evidence.crowd import gather_in_parts, whole_names
from leadline.model.fleet import Workers, fit_fleet, fleet
from leadline.model.joining import joined
from leadline.model.large import fit_any_size
from leadline.records import TABLES
from leadline.timeline import timeline

DATASETS = Path(__file__).resolve().parents[2] / "datasets"


def shuffled_files(folder, rng):
    """The demo's files, rows in another order; those of one diver on one day keep theirs, as the rule is."""
    paths = {}
    for name in TABLES:
        head, *lines = (DATASETS / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        order = rng.permutation(len(lines))
        if name in ("dives", "checks"):
            keep = [head.split(",").index("diver"), head.split(",").index("date")]
            keys = np.array(["|".join(line.split(",")[i] for i in keep) for line in lines])
            for key in set(keys[order]):
                places = np.flatnonzero(keys[order] == key)
                order[places] = np.sort(order[places])
        paths[name] = folder / f"{name}.csv"
        paths[name].write_text("\n".join([head, *(lines[i] for i in order)]) + "\n", encoding="utf-8")
    return paths


@pytest.fixture(scope="module")
def places(tmp_path_factory):
    """The demo as a book and in parts, and once more from shuffled files."""
    folder = tmp_path_factory.mktemp("parts")
    plain = {name: DATASETS / f"{name}.csv" for name in TABLES}
    other = shuffled_files(folder, np.random.default_rng(8))
    for name, files, parts in (("one", plain, 5), ("two", other, 16)):
        with Book.open(folder / f"{name}.duckdb", write=True, create=True) as book:
            book.load(**files)
            book.export_parts(folder / name, parts=parts)
            if name == "one":
                book.export_parts(folder / "single", parts=1)
                book.export_parts(folder / "pair", parts=2)
    with Book.open(folder / "odd.duckdb", write=True, create=True) as book:
        book.load(**plain)
        # Some four kilograms from what it is, and rather sure of itself.
        book.upsert("gear", [{"item": "alu 11", "mass_kg": 11, "buoyancy_kg": 5, "buoyancy_sd_kg": 0.5}])
        book.export_parts(folder / "odd", parts=4)
    return folder


@pytest.fixture(scope="module")
def records(places):
    with Book.open(places / "one.duckdb") as book:
        return book.records()


def reads(folder):
    about = dataset.opened(folder)
    calls = [partial(dataset.read, folder, part) for part in range(about.parts)]
    return calls, np.datetime64(about.latest or "NaT", "s")


@pytest.mark.parametrize(("name", "parts"), [("one", 5), ("two", 16)])
def test_parts_give_the_evidence_of_the_whole_book(places, records, name, parts):
    calls, latest = reads(places / name)
    assert len(calls) == parts
    whole = gather_in_parts(timeline(records)).observations
    found = [gather_in_parts(timeline(read()), latest=latest).observations for read in calls]
    again = joined(found, whole_names(part.names for part in found))
    for field in fields(whole):
        one, many = getattr(whole, field.name), getattr(again, field.name)
        assert np.array_equal(one, many), field.name


@pytest.fixture(scope="module")
def crew():
    distributed = pytest.importorskip("distributed", reason="Dask, of the extra `fleet`, is not installed")
    with (
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=False,
            protocol="tcp",
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            memory_limit=0,
        ) as cluster,
        distributed.Client(cluster, set_as_default=False) as client,
    ):
        yield Workers(client)


def test_neither_parts_nor_partitions_nor_the_order_of_the_files_change_a_bit(places, records, crew):
    whole = gather_in_parts(timeline(records)).observations
    alone = fit_any_size(whole, few=0, samples=(300,))
    for name, partitions in (("one", 1), ("one", 2), ("two", 16)):
        calls, latest = reads(places / name)
        found = fit_fleet(hold(crew, calls, latest=latest), partitions=partitions, few=0, samples=(300,))
        assert found.to_bytes() == alone.to_bytes()


@pytest.fixture(scope="module")
def expected(records):
    return learn(records)


@pytest.mark.parametrize("name", ["single", "pair", "one", "two"])
def test_what_is_told_and_stored_is_what_learn_tells_and_stores(places, expected, crew, name):
    calls, latest = reads(places / name)
    assert len(calls) == {"single": 1, "pair": 2, "one": 5, "two": 16}[name]
    found = learn_in_parts(crew, calls, latest=latest)
    assert found.fit.to_bytes() == expected.fit.to_bytes()
    assert found.breath == expected.breath
    assert found.convergence == expected.convergence
    assert found.counts == {name: expected.counts[name] for name in found.counts}
    # Equal numbers, to the last digit: what is printed with --json.
    assert found.effects == expected.effects
    assert found.contradictions == expected.contradictions


def test_kit_that_is_not_as_listed_is_named_and_stays_with_the_fit(places, crew):
    with Book.open(places / "odd.duckdb") as book:
        expected = learn(book.records())
    calls, latest = reads(places / "odd")
    found = learn_in_parts(crew, calls, latest=latest)
    assert [kit.label for kit in found.contradictions] == ["alu 11"]
    assert [kit.label for kit in found.contradictions] == [kit.label for kit in expected.contradictions]
    assert found.effects == expected.effects
    assert found.contradictions == expected.contradictions
    assert found.fit.diagnostics["short_kg:type:alu 11"] < -0.5
    assert found.fit.to_bytes() == expected.fit.to_bytes()


def test_a_folder_that_is_none_or_stands_there_is_one_clear_line(places, tmp_path):
    with pytest.raises(BookError, match="no records in parts here"):
        dataset.opened(tmp_path)
    with (
        Book.open(places / "one.duckdb") as book,
        pytest.raises(BookError, match="stands there already"),
    ):
        book.export_parts(places / "one", parts=2)
    with pytest.raises(BookError, match="part 99 has no divers"):
        dataset.read(places / "one", 99)
    (tmp_path / "book.json").write_text(
        '{"format": 2, "parts": 1, "latest": "", "data_version": 1, "counts": {}}'
    )
    with pytest.raises(BookError, match="newer version"):
        dataset.opened(tmp_path)


def _stabbed(folder, part):
    if part == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return dataset.read(folder, part)


def test_a_worker_lost_while_it_reads_ends_in_one_line(places):
    about = dataset.opened(places / "one")
    calls = [partial(_stabbed, places / "one", part) for part in range(about.parts)]
    with fleet(workers=2) as crew, pytest.raises(FitError, match="a worker of the fleet was lost") as lost:
        learn_in_parts(crew, calls, latest=np.datetime64(about.latest, "s"))
    assert "\n" not in str(lost.value)
