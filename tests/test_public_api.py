"""Names that files, scripts and programs rest on: adding is free, renaming and taking away is not."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from dataclasses import fields

import pytest

import leadline
from leadline import errors
from leadline.book import Book
from leadline.decide.advice import Advice
from leadline.records import TABLES

MODULES = sorted(
    found.name for found in pkgutil.walk_packages(leadline.__path__, "leadline.") if found.name != "leadline"
)

# What stands in files. Kind: pinned.
KIT_AND_WATER = (
    "site water salinity_gkg water_temp_c altitude_m body_mass_kg suit undersuit bc cylinder gas other"
)
COLUMNS = {
    "divers": "diver mass_kg height_cm birth_year sex body_fat_pct dives_before",
    "gear": "item type kind style material thickness_mm mass_kg water_capacity_l rated_bar lift_l "
    "dives_before buoyancy_kg buoyancy_sd_kg buoyancy_in",
    "dives": f"dive diver date group leader {KIT_AND_WATER} max_depth_m start_bar end_bar stop_bar lead_kg "
    "lead_places lead_ditchable_kg backup_lift descent stop_depth_m stop_result bc_state bc_gas_l suit_gas "
    "handed_off_kg handed_off_result handed_off_bc seen_by",
    "checks": f"check diver dive date {KIT_AND_WATER} lead_kg bar waterline breath exhale_sinks",
}
TWINS = {
    "divers": "mass_lb height_in",
    "gear": "thickness_in mass_lb rated_psi buoyancy_lb buoyancy_sd_lb",
    "dives": "water_temp_f altitude_ft max_depth_ft body_mass_lb start_psi end_psi stop_psi lead_lb "
    "lead_places_lb lead_ditchable_lb stop_depth_ft handed_off_lb",
    "checks": "water_temp_f altitude_ft body_mass_lb lead_lb psi",
}
RESULTS = "hovered rose sank"
BC = "empty gas unknown"
WORDS = {
    ("divers", "sex"): "f m",
    ("gear", "kind"): "suit undersuit hood gloves boots fins bc plate cylinder regulator other",
    ("gear", "style"): "full shorty two_piece vest dry_membrane dry_foam thin medium thick jacket wing",
    ("gear", "material"): "aluminium steel",
    ("gear", "buoyancy_in"): "fresh salt",
    ("dives", "water"): "fresh brackish salt",
    ("dives", "backup_lift"): "none dry_suit second_bladder other",
    ("dives", "descent"): "easy effort no",
    ("dives", "stop_result"): RESULTS,
    ("dives", "handed_off_result"): RESULTS,
    ("dives", "bc_state"): BC,
    ("dives", "handed_off_bc"): BC,
    ("dives", "suit_gas"): "least more unknown",
    ("dives", "seen_by"): "self leader",
    ("checks", "water"): "fresh brackish salt",
    ("checks", "waterline"): "chin eye crown under",
    ("checks", "breath"): "normal full out",
    ("checks", "exhale_sinks"): "yes no",
}
KEYS = {"divers": ("diver",), "gear": ("item",), "dives": ("dive", "diver"), "checks": ("check",)}
ANSWER = (
    "diver dive lead_kg bring_kg check_first p_too_light p_too_heavy need_at_bar need_mean_kg need_sd_kg "
    "need_q025_kg need_q10_kg need_q50_kg need_q90_kg need_q975_kg prior_mean_kg prior_sd_kg dives_used "
    "evidence next_step cautions"
)

# What stands in programs. Kind: pinned.
DOORS = {
    "leadline.book": "Book Fault LoadReport TableReport default_path",
    "leadline.records": "BLOCKS CHECKS DIVERS DIVES FILES GEAR TABLES Column Kind Table Twin",
    "leadline.arrays": "Columns Occasions Records columns_from_rows occasions ranks",
    "leadline.timeline": "Timeline resolve_checks timeline",
    "leadline.physics.ledger": "ITEMS Ledger Rigs State assemble evaluate exposures prior_sd",
    "leadline.evidence.gather": "Evidence gather",
    "leadline.model.observations": "Form Observations",
    "leadline.model.population": "Fit fit prior_fit",
    "leadline.model.diver": "Targets marginals",
    "leadline.model.marginal": "Marginal",
    "leadline.model.regressor": "IntervalRegressor",
    "leadline.model.fleet": "Held Workers fit_fleet fleet handed_out",
    "leadline.decide.learning": "Findings learn",
    "leadline.decide.fleet": "Harvest learn_in_parts",
    "leadline.decide.assessment": "Assessment",
    "leadline.decide.advice": "Advice advise",
    "leadline.decide.block": "Block",
    "leadline.decide.check": "CheckAnswer check check_rows",
    "leadline.decide.season_data": "SeasonData",
    "leadline.units": "IMPERIAL check_range from_imperial to_imperial",
    "leadline.cli": "app main",
}
BOOK = (
    "close counts data_version export forget latest_fit load names next_dive last_dive has_dive open "
    "export_parts read_plan records save_fit upsert versions judge blocks has_diver portion scratch "
    "changed_kit later_that_day remove_dive doubts"
)
ERRORS = {
    "LeadlineError": Exception,
    "OutOfRangeError": ValueError,
    "RecordError": errors.LeadlineError,
    "UnknownNameError": errors.LeadlineError,
    "BookError": errors.LeadlineError,
    "BookBusyError": errors.BookError,
    "FitError": errors.LeadlineError,
    "CellError": errors.RecordError,
    "OptionError": errors.OutOfRangeError,
    "TooFewBlocksError": errors.OutOfRangeError,
}


@pytest.mark.parametrize("name", COLUMNS)
def test_columns_of_a_file_keep_their_names(name: str) -> None:
    table = TABLES[name]
    assert table.key == KEYS[name]
    assert set(COLUMNS[name].split()) <= set(table.by_name)
    assert set(TWINS[name].split()) <= {c.twin.name for c in table.columns if c.twin}


@pytest.mark.parametrize(("table", "column"), WORDS)
def test_words_of_a_cell_keep_their_names(table: str, column: str) -> None:
    assert set(WORDS[table, column].split()) <= set(TABLES[table].column(column).words)


def test_every_column_that_has_words_is_pinned() -> None:
    worded = {(t.name, c.name) for t in TABLES.values() for c in t.columns if c.words}
    assert worded == set(WORDS)


def test_an_answer_keeps_its_columns_and_their_order() -> None:
    assert [f.name for f in fields(Advice)] == ANSWER.split()


@pytest.mark.parametrize("module", DOORS)
def test_names_of_a_module_stay(module: str) -> None:
    assert set(DOORS[module].split()) <= set(importlib.import_module(module).__all__)


def test_book_keeps_its_methods() -> None:
    assert [name for name in BOOK.split() if not hasattr(Book, name)] == []


@pytest.mark.parametrize("name", ERRORS)
def test_every_error_is_caught_as_one_of_ours(name: str) -> None:
    error = getattr(errors, name)
    assert name in errors.__all__
    assert issubclass(error, ERRORS[name])
    assert issubclass(error, errors.LeadlineError)


def test_no_error_is_left_unpinned() -> None:
    assert set(errors.__all__) == set(ERRORS)


@pytest.mark.parametrize("module", MODULES)
def test_public_names_exist_and_say_what_they_are(module: str) -> None:
    loaded = importlib.import_module(module)
    assert loaded.__doc__
    names = getattr(loaded, "__all__", ())
    if not hasattr(loaded, "__path__"):
        assert names, f"{module} does not say what is public"
    assert len(set(names)) == len(names)
    for name in names:
        value = getattr(loaded, name)
        if inspect.isfunction(value) or inspect.isclass(value):
            assert inspect.getdoc(value), f"{module}.{name} has no docstring"
