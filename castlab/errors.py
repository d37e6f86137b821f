"""The one family of errors castlab raises on purpose.

Each message says what was wrong, where, and what is accepted. Nothing here formats or prints.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any


class CastlabError(Exception):
    """Base of every error a user of castlab is meant to read."""


class InputError(CastlabError, ValueError):
    """A value, a name or a file that was given cannot be used as it is."""


class ImpossibleError(InputError):
    """What was asked for can be read, but not done; each of `nearest` can: the arguments to change, nearest first."""

    def __init__(self, message: str, *, nearest: Sequence[Mapping[str, Any]] = ()) -> None:
        super().__init__(message)
        self.nearest = tuple(dict(changes) for changes in nearest)


class NotFoundError(CastlabError, LookupError):
    """Something was asked for by name or id and is not there."""


class LogbookError(CastlabError):
    """The logbook file or database cannot be read or written now; what was logged before is intact."""


class ConflictError(LogbookError):
    """The record changed since it was read; nothing was written."""


class LostPhotoError(LogbookError):
    """The file of a photo is not there or not as it was; `how` says so in a word or two."""

    def __init__(self, message: str, *, how: str) -> None:
        super().__init__(message)
        self.how = how


class FitError(CastlabError):
    """The data cannot support the analysis that was asked for; the message says what they can support."""


class CastlabWarning(UserWarning):
    """Something was done, but not all of it; the message says what is left out and what to do about it."""
