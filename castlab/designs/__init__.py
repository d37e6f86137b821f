"""Which castings to make next: factors and their settings, plans that respect batches and molds, and what they can tell.

`plan_trials` chooses the castings and their order, says what is mixed up with what and how well each effect will be known,
and prints the run sheets; `power` gives the chance that an effect of a given size will show, `power_sweep` that chance for
many numbers of castings and sizes of effect.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
