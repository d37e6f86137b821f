"""The one family of errors castlab raises on purpose.

Each message says what was wrong, where, and what is accepted. Nothing here formats or prints.
"""

from __future__ import annotations


class CastlabError(Exception):
    """Base of every error a user of castlab is meant to read."""


class InputError(CastlabError, ValueError):
    """A value, a name or a file that was given cannot be used as it is."""


class NotFoundError(CastlabError, LookupError):
    """Something was asked for by name or id and is not there."""


class LogbookError(CastlabError):
    """The logbook file or database cannot be read or written now; what was logged before is intact."""


class ConflictError(LogbookError):
    """The record changed since it was read; nothing was written."""


class FitError(CastlabError):
    """The data cannot support the analysis that was asked for; the message says what they can support."""
