from .design import Design
from .detection import Power, power
from .factors import Factor
from .plan import plan_trials
from .sheets import RunSheets
from .sweep import PowerSweep, power_sweep

__all__ = ["Design", "Factor", "Power", "PowerSweep", "RunSheets", "plan_trials", "power", "power_sweep"]
