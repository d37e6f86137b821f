"""What happened: the records, the logbook that keeps them, and the ways in and out of it."""

from castlab.records.logbook import Logbook
from castlab.records.models import Batch, Material, Mold, Photo, Plan, Score, Trial

__all__ = ["Batch", "Logbook", "Material", "Mold", "Photo", "Plan", "Score", "Trial"]
