"""Where the notebooks and data that travel with castlab are, in an installed wheel and in a checkout alike."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def path(*parts: str) -> Path:
    """Path of a shipped file or folder, for example `path("notebooks")` or `path("data", "demo")`.

    Raises
    ------
    FileNotFoundError
        If the installation lacks it.
    """
    for root in (_PACKAGE / "shipped", _PACKAGE.parent):
        found = root.joinpath(*parts)
        if found.exists():
            return found
    raise FileNotFoundError(f"{'/'.join(parts)} is missing from this installation of castlab; reinstall it")
