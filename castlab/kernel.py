"""The notebook kernel of the Python and the castlab that run now, whatever kernels are installed on this machine."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jupyter_client.manager import KernelManager


def manager() -> type[KernelManager]:
    """Class of managers that start such kernels."""
    from jupyter_client.kernelspec import KernelSpec
    from jupyter_client.manager import AsyncKernelManager

    root = str(Path(__file__).resolve().parent.parent)
    paths = [root, *filter(None, os.environ.get("PYTHONPATH", "").split(os.pathsep))]
    spec = KernelSpec(
        argv=[sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}", "--log-level=CRITICAL"],
        display_name="castlab",
        language="python",
        metadata={"supported_encryption": ["curve"]},
        env={"PYTHONPATH": os.pathsep.join(paths)},
    )

    class ThisPython(AsyncKernelManager):
        transport_encryption = "auto"

        @property
        def kernel_spec(self) -> KernelSpec:
            return spec

    return ThisPython
