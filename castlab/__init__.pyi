from .records import Batch, Logbook, Material, Mold, Photo, Plan, Score, Trial

__all__ = ["Batch", "Logbook", "Material", "Mold", "Photo", "Plan", "Score", "Trial", "__version__"]

__version__: str
