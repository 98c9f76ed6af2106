"""Migrations: an old book comes up to date whole, or stays as it was; a newer one is left alone."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

import duckdb
import pytest

from leadline.book import Book, migration
from leadline.book.schema import missing_columns
from leadline.errors import BookError

# Pinned: the schema as the first step left it, written out so that later changes to the declaration of
# the records cannot rewrite history.
FIRST = """
CREATE TABLE migrations (step INTEGER PRIMARY KEY, name VARCHAR, applied TIMESTAMP);
CREATE TABLE divers (diver VARCHAR PRIMARY KEY, mass_kg DOUBLE, height_cm DOUBLE, birth_year INTEGER, sex
  VARCHAR, body_fat_pct DOUBLE, dives_before INTEGER, seq BIGINT, version BIGINT, extra VARCHAR);
CREATE TABLE gear (item VARCHAR PRIMARY KEY, type VARCHAR, kind VARCHAR, style VARCHAR, material VARCHAR,
  thickness_mm DOUBLE, mass_kg DOUBLE, water_capacity_l DOUBLE, rated_bar DOUBLE, lift_l DOUBLE,
  dives_before INTEGER, buoyancy_kg DOUBLE, buoyancy_sd_kg DOUBLE, buoyancy_in VARCHAR, seq BIGINT,
  version BIGINT, extra VARCHAR);
CREATE TABLE dives (dive VARCHAR, diver VARCHAR, date TIMESTAMP_S, "group" VARCHAR, leader VARCHAR, site
  VARCHAR, water VARCHAR, salinity_gkg DOUBLE, water_temp_c DOUBLE, altitude_m DOUBLE, max_depth_m
  DOUBLE, body_mass_kg DOUBLE, suit VARCHAR, undersuit VARCHAR, bc VARCHAR, cylinder VARCHAR, gas
  VARCHAR, start_bar VARCHAR, end_bar VARCHAR, stop_bar VARCHAR, other VARCHAR, lead_kg DOUBLE,
  lead_places VARCHAR, lead_ditchable_kg DOUBLE, backup_lift VARCHAR, descent VARCHAR, stop_depth_m
  DOUBLE, stop_result VARCHAR, bc_state VARCHAR, bc_gas_l DOUBLE, suit_gas VARCHAR, handed_off_kg DOUBLE,
  handed_off_result VARCHAR, handed_off_bc VARCHAR, seen_by VARCHAR, seq BIGINT, version BIGINT, extra
  VARCHAR, PRIMARY KEY (dive, diver));
CREATE TABLE checks ("check" VARCHAR PRIMARY KEY, diver VARCHAR, dive VARCHAR, date TIMESTAMP_S, site
  VARCHAR, water VARCHAR, salinity_gkg DOUBLE, water_temp_c DOUBLE, altitude_m DOUBLE, body_mass_kg
  DOUBLE, suit VARCHAR, undersuit VARCHAR, bc VARCHAR, cylinder VARCHAR, gas VARCHAR, other VARCHAR,
  lead_kg DOUBLE, bar VARCHAR, waterline VARCHAR, breath VARCHAR, exhale_sinks VARCHAR, seq BIGINT,
  version BIGINT, extra VARCHAR);
CREATE TABLE meta (name VARCHAR PRIMARY KEY, value BIGINT);
INSERT INTO meta VALUES ('data_version', 4);
INSERT INTO migrations VALUES (1, 'records', TIMESTAMP '2026-01-01 00:00:00');
INSERT INTO divers (diver, mass_kg, seq, version) VALUES ('Ines', 64, 1, 4);
"""


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A book that has taken the first step only."""
    path = tmp_path / "old.duckdb"
    with duckdb.connect(str(path)) as raw:
        raw.execute(FIRST)
    return path


def steps(path: Path) -> list[str]:
    with duckdb.connect(str(path), read_only=True) as raw:
        return [name for (name,) in raw.execute("SELECT name FROM migrations ORDER BY step").fetchall()]


@pytest.mark.parametrize("write", [False, True])
def test_old_book_comes_up_to_date_with_its_rows(old: Path, write: bool) -> None:
    with Book.open(old, write=write) as book:
        assert book.records().divers["mass_kg"].tolist() == [64.0]
        assert book.data_version == 4
        assert book.latest_fit() is None
    assert steps(old) == [name for name, _ in migration.MIGRATIONS]


def test_new_book_has_every_declared_column(path: Path) -> None:
    with duckdb.connect(str(path), read_only=True) as raw:
        assert missing_columns(raw) == []


def test_pinned_first_schema_is_what_the_first_step_makes(old: Path, tmp_path: Path) -> None:
    listing = (
        "SELECT table_name, column_name, data_type FROM duckdb_columns() WHERE NOT internal ORDER BY ALL"
    )
    with duckdb.connect(str(tmp_path / "made.duckdb")) as made:
        migration.apply(made, ["records"])
        fresh = made.execute(listing).fetchall()
    with duckdb.connect(str(old), read_only=True) as raw:
        assert raw.execute(listing).fetchall() == fresh


def test_failing_step_leaves_the_book_as_it_was(old: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(connection: duckdb.DuckDBPyConnection) -> None:
        connection.execute("CREATE TABLE half_done (x INTEGER)")
        connection.execute("DROP TABLE divers")
        raise RuntimeError("power cut")

    monkeypatch.setattr(migration, "MIGRATIONS", (*migration.MIGRATIONS, ("broken", broken)))
    with pytest.raises(RuntimeError, match="power cut"), Book.open(old):
        pass
    monkeypatch.undo()
    assert "broken" not in steps(old)
    with Book.open(old) as book:
        assert book.counts()["divers"] == 1
    with duckdb.connect(str(old), read_only=True) as raw:
        tables = {name for (name,) in raw.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
    assert "half_done" not in tables


def test_book_of_a_newer_version_is_refused_and_unchanged(path: Path) -> None:
    with duckdb.connect(str(path)) as raw:
        raw.execute("INSERT INTO migrations VALUES (99, 'tides', TIMESTAMP '2030-01-01 00:00:00')")
    before = sha256(path.read_bytes()).hexdigest()
    for write in (False, True):
        with (
            pytest.raises(BookError, match=r"newer version of leadline \(it has tides\); update"),
            Book.open(path, write=write),
        ):
            pass
    assert sha256(path.read_bytes()).hexdigest() == before


def test_listing_pending_steps_changes_nothing(old: Path) -> None:
    before = sha256(old.read_bytes()).hexdigest()
    with duckdb.connect(str(old), read_only=True) as raw:
        assert migration.pending(raw, old) == ["set_aside", "fits", "blocks", "composed"]
        assert migration.schema_version(raw) == 1
    assert sha256(old.read_bytes()).hexdigest() == before
