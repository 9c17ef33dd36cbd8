"""What can go wrong because of what the user gave: each error's text is the one line that the user reads."""

from __future__ import annotations


class HalfsecondError(Exception):
    """Base of every error that this program raises on purpose; its text is one line with the remedy."""


class BadInputError(HalfsecondError):
    """A file, an option or a record that cannot be used: the text names the field and the remedy."""


class UnavailableError(HalfsecondError):
    """A database, a broker, a port or a folder that cannot be had: the text names it and the remedy."""
