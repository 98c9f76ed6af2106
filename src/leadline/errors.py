"""Everything that can go wrong, named. Imports nothing, so that the command line starts fast."""

from __future__ import annotations

__all__ = [
    "BookBusyError",
    "BookError",
    "CellError",
    "FitError",
    "LeadlineError",
    "OptionError",
    "OutOfRangeError",
    "RecordError",
    "TooFewBlocksError",
    "UnknownNameError",
]


class LeadlineError(Exception):
    """Base of all errors a user can meet; its text is one line that ends with what to do."""


class OutOfRangeError(LeadlineError, ValueError):
    """A quantity lies outside the range where the formula or the record makes sense."""


class RecordError(LeadlineError):
    """A file is not a table, lacks a key column, or holds nothing that can be read."""


class CellError(RecordError):
    """A cell holds no value of its column."""


class OptionError(OutOfRangeError):
    """What was typed for an option is no value of it: wrong usage, not a request that cannot be met."""


class TooFewBlocksError(OutOfRangeError):
    """All blocks together, `most` [kg], are lighter than the lead that is called for, `lead` [kg]."""

    def __init__(self, message: str, *, lead: float, most: float) -> None:
        super().__init__(message)
        self.lead, self.most = lead, most


class UnknownNameError(LeadlineError):
    """A diver, item or dive is not in the book; the text lists close matches."""


class BookError(LeadlineError):
    """The book is missing, is not a book, or was written by a newer version."""


class BookBusyError(BookError):
    """Another process holds the book."""


class FitError(LeadlineError):
    """The model could not be fitted; `diagnostics` says how far it came."""

    def __init__(self, message: str, diagnostics: dict[str, float] | None = None) -> None:
        super().__init__(message)
        self.diagnostics = diagnostics or {}
