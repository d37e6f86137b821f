"""Write `pod_block_master.stl`, the invented master of a pod block: `python data/make_master.py`."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh

RINGS_MM = ((32.4, 0.0), (32.4, 24.0), (31.2, 31.0), (27.6, 36.8), (22.1, 40.0))
"""Half width of each ring, and its height above the plate: upright sides with rounded shoulders."""
CORNERS = 48
SQUARE = 4.0
"""2 makes the rings circles; larger makes them squares with rounded corners."""


def master() -> trimesh.Trimesh:
    """The block, open face down on the plate, in millimetres."""
    turn = np.arange(CORNERS) * 2 * np.pi / CORNERS
    across, along = np.cos(turn), np.sin(turn)
    reach = (np.abs(across) ** SQUARE + np.abs(along) ** SQUARE) ** (-1 / SQUARE)
    points = [np.column_stack([w * reach * across, w * reach * along, np.full(CORNERS, z)]) for w, z in RINGS_MM]
    return trimesh.convex.convex_hull(np.vstack(points))


if __name__ == "__main__":
    master().export(Path(__file__).with_name("pod_block_master.stl"))
