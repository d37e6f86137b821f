"""What ties a report to its data and to the programs that made it."""

from __future__ import annotations

import sys
from importlib.metadata import version
from pathlib import Path

from castlab import __version__, labels
from castlab.analysis import words
from castlab.records.tables import SCHEMA
from castlab.reporting.evidence import Evidence
from castlab.reporting.markup import Markup, text


def ties(one: Evidence) -> Markup:
    """Name of the source, number of castings, their checksum, versions."""
    counts = [words.count(len(one.frame), "casting"), f"{len(one.scored)} with {labels.name(one.response)}"]
    if one.batch:
        counts.append(words.count(one.frame[one.batch].nunique(), "batch"))
    if "scores" in one.frame:
        counts.append(words.count(int(one.frame["scores"].sum()), "score"))
    programs = [f"{name} {version(name)}" for name in ("pandas", "statsmodels", "scipy")]
    python = f"Python {sys.version_info.major}.{sys.version_info.minor}"
    source = one.source if "://" in one.source else Path(one.source).name
    schema = f", logbook schema {SCHEMA}" if "batch_id" in one.frame else ""
    return Markup(
        f"<footer><p>Data: {text(source)}, {text(', '.join(counts))}. SHA-256 of these castings: "
        f"<code>{one.data_hash}</code></p><p>Made with castlab {__version__}{schema}, {', '.join(programs)}, {python}."
        "</p></footer>"
    )
