from . import bubbles, cost, cure, materials, shrinkage, solids, vacuum
from .mixing import plan_mix
from .sheet import run_sheet

__all__ = ["bubbles", "cost", "cure", "materials", "plan_mix", "run_sheet", "shrinkage", "solids", "vacuum"]
