"""A folder to work in: the shipped notebooks beside one logbook. What is there already is never overwritten."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from castlab import given, shipped
from castlab.errors import InputError, NotFoundError

LOGBOOK = "shop.db"
HOME = "00_start_here.ipynb"
"""The notebook that JupyterLab opens on."""
LAB_SETTINGS = Path(__file__).parent / "lab_settings"
"""Settings of JupyterLab: a workshop's notebook asks nothing of the network, neither for news nor for updates; the
question whether it may would lie over the forms."""


@dataclass(frozen=True)
class Workspace:
    """A workspace as it is now; `kept` says in words what was there before and was left as it was."""

    folder: Path
    kept: tuple[str, ...] = ()

    @property
    def logbook(self) -> Path:
        """The file of the logbook."""
        return self.folder / LOGBOOK

    @property
    def home(self) -> Path:
        """The notebook to start with."""
        return self.folder / HOME

    def serve(self, options: Sequence[str] = ()) -> None:
        """Start JupyterLab on the first notebook; returns when it is stopped.

        Parameters
        ----------
        options
            JupyterLab's own, such as "--port=8899".

        Raises
        ------
        InputError
            If root would start it and JupyterLab was not told to allow that.
        """
        from jupyterlab.labapp import LabApp

        if getattr(os, "geteuid", lambda: None)() == 0 and not _root_is_allowed(options):
            raise InputError(
                "JupyterLab is not started as root: whoever reaches its page could do anything on this computer. Start "
                "it as an ordinary user; in a container of your own, `castlab lab FOLDER --allow-root` does it all the "
                "same"
            )
        home = self.home.resolve()
        settings = [f"--ServerApp.root_dir={home.parent}", f"--LabApp.default_url=/lab/tree/{home.name}"]
        others = os.environ.get("JUPYTER_CONFIG_PATH")
        os.environ["JUPYTER_CONFIG_PATH"] = os.pathsep.join([*([others] if others else []), str(LAB_SETTINGS)])
        LabApp.launch_instance([*settings, *options])


def make(folder: str | Path, *, demo: bool = False) -> Workspace:
    """Make a workspace, or complete one: notebooks and data sheets that are missing, and a logbook if there is none.

    Parameters
    ----------
    folder
        Where; made if it is missing.
    demo
        Fill a new logbook with the demo castings (invented) instead of leaving it empty.

    Returns
    -------
    The workspace. A notebook that was changed and a logbook that was there are left alone, and `kept` says so.

    Raises
    ------
    InputError
        If the folder cannot be made.
    """
    place = given.folder(Path(folder).expanduser(), "the workspace")
    workspace = Workspace(place)
    kept = [note for source in shipped_files() if (note := _copy(source, place / source.name))]
    if workspace.logbook.exists():
        kept.append(f"the logbook {workspace.logbook} was there already: left as it is")
    else:
        _new_logbook(workspace.logbook, demo=demo)
    return Workspace(place, tuple(kept))


def find(folder: str | Path = ".") -> Workspace:
    """The workspace in a folder.

    Raises
    ------
    NotFoundError
        If the folder is none.
    """
    workspace = Workspace(Path(folder).expanduser())
    if not workspace.home.exists():
        raise NotFoundError(
            f"{workspace.folder} is not a workspace: it has no {HOME}. Make one with `castlab new FOLDER`, or go to the "
            "folder of yours"
        )
    return workspace


def shipped_files() -> list[Path]:
    """The notebooks, the example sheets and the example master that a workspace gets, in order."""
    examples = [file for kind in ("*.csv", "*.stl") for file in sorted(shipped.path("data").glob(kind))]
    return [*sorted(shipped.path("notebooks").glob("*.ipynb")), *examples]


def _root_is_allowed(options: Sequence[str]) -> bool:
    """By an option, or by the settings files of this computer."""
    from jupyter_server.serverapp import ServerApp
    from jupyterlab.labapp import LabApp

    if any(option.startswith(("--allow-root", "--ServerApp.allow_root")) for option in options):
        return True
    for program in (ServerApp(), LabApp()):
        program.load_config_file()
        if program.config.ServerApp.get("allow_root"):
            return True
    return False


def _new_logbook(path: Path, *, demo: bool) -> None:
    from castlab.records import Logbook

    if not demo:
        Logbook.open(path).close()
        return
    staged = path.with_name(f".{path.name}.new")  # so that an interrupted restore leaves no half-filled logbook
    for leftover in path.parent.glob(f"{staged.name}*"):
        leftover.unlink()
    Logbook.restore(shipped.path("data", "demo"), to=staged).close()
    staged.rename(path)


def _copy(source: Path, target: Path) -> str | None:
    """Copy unless the target is there; a note if what is there is not what is shipped."""
    if not target.exists():
        shutil.copyfile(source, target)
        return None
    if _content(target) == _content(source):
        return None
    return f"{target} differs from the one that came with castlab: left as it is (rename it to get a fresh one)"


def _content(path: Path) -> object:
    """What a maker writes in a file: of a notebook its cells without outputs, else its bytes."""
    data = path.read_bytes()
    if path.suffix != ".ipynb":
        return data
    try:
        return [(cell["cell_type"], "".join(cell["source"])) for cell in json.loads(data)["cells"]]
    except (ValueError, KeyError, TypeError):
        return data
